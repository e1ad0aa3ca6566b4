"""(edge) The history: SQLite on disk, the live file in memory, what is kept and how it is read."""
