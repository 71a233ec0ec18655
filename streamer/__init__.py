"""Event-stream processor for a regional voice-radio network that follows its members."""

__version__ = "0.1.0"
