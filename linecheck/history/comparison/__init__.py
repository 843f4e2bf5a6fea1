"""Runs and capture sets side by side: what differs, by how much, and whether that means anything."""
