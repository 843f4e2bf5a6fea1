"""A run as data: its plan, its results, and every recorded fact.

In: limit files and judged measurements. Out: plans, runs, their facts and problems. Nothing is read or written here.
"""
