"""What is broken, ranked, in plain words: causes as data, weighed by what a run shows.

In: a run that does not pass, or one beside an earlier run. Out: causes with their odds (:mod:`linecheck.run.causes`).
"""

from linecheck.causes.naming import cause_codes, name_causes, name_difference, prior_odds

__all__ = ["cause_codes", "name_causes", "name_difference", "prior_odds"]
