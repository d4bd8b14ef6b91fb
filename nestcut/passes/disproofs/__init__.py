"""Can this set of dies never share a plate? Proofs by places relative to each other, and by stacking."""
