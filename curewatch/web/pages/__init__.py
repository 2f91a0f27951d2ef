"""The pages people open, and the forms on them."""
