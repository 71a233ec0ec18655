"""After a duty: what its record says, on paper and as tables."""
