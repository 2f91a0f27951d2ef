"""How a piece has dried, and why it came out as it did."""
