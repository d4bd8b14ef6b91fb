"""A part of paper for every cut, shared by neighbours where the stock allows it."""
