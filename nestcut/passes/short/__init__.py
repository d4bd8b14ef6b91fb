"""What if paper is short: what is left out, what is bought, and what can surely not be cut?"""
