"""Readings of a room to one judged series of its air."""
