"""What to change in a tree, by its record."""
