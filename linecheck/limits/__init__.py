"""Limit files: what they say, what is wrong with them, and what they make of a reading.

In: a model's YAML files, and readings. Out: checks with their masks, every fault with its place, verdicts with margins,
and whether a unit may be tested again.
"""
