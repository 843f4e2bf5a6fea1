"""Limit files: what they say, what is wrong with them, and what they make of a reading."""
