"""How many pieces does a region hold?"""
