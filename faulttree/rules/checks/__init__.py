"""The rules, one function each, one module for each family."""
