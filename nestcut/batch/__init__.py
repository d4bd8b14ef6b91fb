"""What is asked: reading and validating batch files and tables."""
