"""Sensors' messages from the broker: received, read, kept while undated, stored, acknowledged."""
