"""How the events of a walk are folded: the progress they make, and the rules of moving on."""
