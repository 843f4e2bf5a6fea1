"""Limit files: loading them, their faults, and judging readings by them.

In: a model's YAML files, and readings. Out: checks with their masks, every fault with its place, verdicts with margins,
and whether a unit may be tested again.
"""
