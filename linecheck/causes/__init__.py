"""What is broken, ranked, in plain words: causes as data, weighed by what a run shows."""

from linecheck.causes.naming import name_causes

__all__ = ["name_causes"]
