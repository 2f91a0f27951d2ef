"""The pure middle: what the facts mean at a moment. No clock, log, file or socket; every function takes `now`."""
