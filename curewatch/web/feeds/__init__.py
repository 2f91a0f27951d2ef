"""What programs fetch: calendar, metrics, live updates."""
