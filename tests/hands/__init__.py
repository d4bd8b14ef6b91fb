"""The hands: what they do, and how long it takes."""
