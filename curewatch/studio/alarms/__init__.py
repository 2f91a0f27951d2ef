"""Alarms of rooms with wet pieces: conditions, life, evaluation, notices, damage, forewarning."""
