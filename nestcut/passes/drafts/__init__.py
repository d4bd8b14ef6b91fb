"""What is a whole plan before it is written: its passes, its trims, its figures, what is better?"""
