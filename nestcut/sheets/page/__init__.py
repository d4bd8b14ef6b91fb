"""What stands on the run sheet and in the tables, and how is it all written?"""
