"""How are overlapping pieces pushed apart, at any place and turn, until nothing overlaps?"""
