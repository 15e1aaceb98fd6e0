"""Profiles: the model, the loader that keeps line numbers, the JSON Schema."""
