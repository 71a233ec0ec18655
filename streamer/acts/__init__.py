"""What people order: in hand, out, pin, bar, duty, roll call. Every act stands in the log."""
