"""The SQLite record of a run: schema, writer, reader, upgrades."""
