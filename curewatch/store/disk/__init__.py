"""The store as a file: its lock, its backups, and what a failing disk does to it."""
