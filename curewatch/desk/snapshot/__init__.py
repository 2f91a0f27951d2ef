"""What a refresh or a report reads of the store: facts, the air of rooms, what was learned."""
