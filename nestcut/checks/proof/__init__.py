"""Does the bound follow from the proof that the plan carries?"""
