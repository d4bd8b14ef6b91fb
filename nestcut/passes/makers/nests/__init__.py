"""Scraps filled as densely as cuts go, and lay-ups made for them."""
