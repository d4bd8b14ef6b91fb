"""What is cut where paper is short: whole kits first."""
