"""Forgetting a station: out of Redis, and out of the journal's closed files."""
