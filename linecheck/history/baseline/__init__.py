"""Baselines: readings that were accepted, and whether later firmware still comes to them."""
