"""Questions about pours and changes that nobody has made yet, answered by the model."""
