"""The recorded day as a laboratory: replay, compare policies, channel load, what if."""
