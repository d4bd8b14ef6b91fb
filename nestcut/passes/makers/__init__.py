"""Which ways are there to make a whole plan? One folder a way."""
