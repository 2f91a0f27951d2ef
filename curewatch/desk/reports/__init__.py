"""What people ask: the board, one room, one piece, a plan, what was learned. Nothing here writes facts."""
