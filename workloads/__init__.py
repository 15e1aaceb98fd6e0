"""Workloads: the contract, the registry, one file per workload. Knows nothing of the harness."""
