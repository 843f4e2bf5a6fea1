"""What is read in volts, and whether anybody says how well those volts are known."""

from __future__ import annotations

from typing import Final

from linecheck.checks.base import Reading

#: A relative error of the capture's full scale in volts is the same relative error of what is read in these.
VOLT_UNITS: Final = frozenset({"V", "mV", "µV"})
#: There it is the same number of dB.
VOLT_LEVEL_UNITS: Final = frozenset({"dBu", "dBV"})


def rests_on_volts(unit: str) -> bool:
    """Return whether what is read in a unit rests on the capture's full scale in volts."""
    return unit in VOLT_UNITS or unit in VOLT_LEVEL_UNITS


def is_uncalibrated(reading: Reading) -> bool:
    """Return whether a value in volts claims no uncertainty: the calibration was not stated."""
    return reading.value is not None and reading.uncertainty is None and rests_on_volts(reading.unit)
