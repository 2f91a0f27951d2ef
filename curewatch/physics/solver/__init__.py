"""The solver: many films integrated at once, each with its own step; checkpoints, samples and events on the way."""
