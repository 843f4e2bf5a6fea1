"""Test programmes: all checks as one file for a player that is not controlled, and recordings of it cut into sets."""
