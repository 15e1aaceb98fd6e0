"""Sensor sources, the channel catalogue and the sampler process."""
