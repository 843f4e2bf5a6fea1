"""One capture: whether it can be trusted, what its readings are, and how they are judged.

In: a capture and the check that it is of. Out: a judged measurement, computed here or on an executor.
"""
