"""Whether a record is sound, and a sound record made from a damaged one."""
