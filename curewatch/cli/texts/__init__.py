"""What commands print for people: pure functions from what the desk answers to lines of at most the page's width."""
