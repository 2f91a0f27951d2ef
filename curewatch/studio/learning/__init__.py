"""What all observations come to for a recipe and a place, and that in words."""
