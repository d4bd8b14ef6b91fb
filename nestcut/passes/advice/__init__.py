"""What would another number of kits, another die or more paper change?"""
