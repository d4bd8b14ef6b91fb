"""What tests of several rooms share: batches, outlines, plans made by hand, strategies. Fixtures are in ``tests/conftest.py``."""
