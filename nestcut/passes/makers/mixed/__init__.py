"""Half-way between few trims and few passes."""
