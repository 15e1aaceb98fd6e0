"""Worker processes pinned to one logical CPU each."""
