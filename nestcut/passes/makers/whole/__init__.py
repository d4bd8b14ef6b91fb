"""Scraps as they are, shifted under the dies from pass to pass."""
