"""A run as data: what is to be played, what came of it, and every fact that is recorded of it.

In: limit files and judged measurements. Out: plans, runs, their facts and problems. Nothing is read or written here.
"""
