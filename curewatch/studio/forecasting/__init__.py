"""A piece's facts simulated into dates with odds, and the checkpoints to go on from."""
