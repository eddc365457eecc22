"""On which day each open order leaves, and who is told of another day."""
