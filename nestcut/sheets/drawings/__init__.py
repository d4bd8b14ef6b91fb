"""How does a thing look on paper: plate, lay-up, scrap, trim, label?"""
