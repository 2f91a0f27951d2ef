"""Files that people hand in: a room's recorded air, a logger's CSV, an export."""
