"""The command line, one file per command family, heavy imports late."""
