"""What is broken, ranked, in plain words: causes as data, weighed by what a run shows."""

from linecheck.causes.naming import cause_codes, name_causes, name_difference, prior_odds

__all__ = ["cause_codes", "name_causes", "name_difference", "prior_odds"]
