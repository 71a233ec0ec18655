"""Accounts at the broker: `streamer enroll`. Needs the extra `enroll` (cryptography)."""
