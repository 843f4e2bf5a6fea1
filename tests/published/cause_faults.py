"""All faults by cause code, from the modules that enter them."""

import cause_bending
import cause_effects
import cause_filters
import cause_levels
import cause_words
from cause_made import FAULTS, Made, Maker

__all__ = ["FAULTS", "Made", "Maker"]

#: Whose import enters the faults.
MODULES = (cause_levels, cause_bending, cause_words, cause_filters, cause_effects)
