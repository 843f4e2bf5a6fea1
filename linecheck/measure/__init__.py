"""One capture: whether it can be trusted, its readings, and their verdicts.

In: a capture and the check that it is of. Out: a judged measurement, computed here or on an executor.
"""
