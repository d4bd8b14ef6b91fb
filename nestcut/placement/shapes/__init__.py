"""What is a shape to the searches: no-fit regions, convex parts, exact checks, what is kept on disk?"""
