"""What does an SVG drawing show, and where?"""
