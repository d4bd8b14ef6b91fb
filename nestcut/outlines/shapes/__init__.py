"""What is an outline: curves, polygons on the safe side, grown and shrunk?"""
