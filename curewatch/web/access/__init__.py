"""The door before the page: who asks, and what they may do."""
