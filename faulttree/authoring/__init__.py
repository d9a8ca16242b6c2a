"""Write what solved cases taught into the trees: write-ups, suspects, new trees, renames."""
