"""A run beside others: baselines, comparisons, other units of its model, other limit files, repairs.

In: runs, from the log or from capture sets. Out: what changed, what is unusual, what verdicts would have been, what was
found.
"""
