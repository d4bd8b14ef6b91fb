"""Which dies ride together, in which lay-ups, how often, and what is the least number of passes?"""
