"""Looks for known faults in what we install: `python -m tests.audit`."""
