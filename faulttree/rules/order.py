"""Rules to come."""
