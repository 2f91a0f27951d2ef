"""Everything out of one store and into another."""
