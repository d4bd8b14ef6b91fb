"""Does the plan keep each rule? A module for each kind of rule."""
