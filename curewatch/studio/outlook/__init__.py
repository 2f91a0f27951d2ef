"""How a room's air may go on, and what gaps in its past leave open."""
