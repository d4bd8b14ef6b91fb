"""The plan as a value, and its JSON."""
