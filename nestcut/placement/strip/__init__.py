"""How short can a strip be that holds all pieces?"""
