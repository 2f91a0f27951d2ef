"""What people log and do, and its undo: each in one transaction."""
