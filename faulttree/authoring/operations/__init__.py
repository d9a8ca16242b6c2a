"""What can be done to a tree: one module for each operation."""
