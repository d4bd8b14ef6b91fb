"""Which exact places does the OR-Tools model choose among?"""
