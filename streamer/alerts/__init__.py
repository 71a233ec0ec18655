"""What is wrong, and what became of it."""
