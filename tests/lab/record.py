"""Records what a small region says, as a worker would, and plays it again."""
