"""What can a region never hold?"""
