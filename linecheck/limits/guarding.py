"""What the guarded rule needs from a station or a set: how well the volts are known."""

from __future__ import annotations

from linecheck.checks.parts.volts import rests_on_volts
from linecheck.files.text import listed
from linecheck.limits.model import LimitFile

#: So many masks are named in a sentence.
MAX_NAMED = 4


def volt_masks(limits: LimitFile) -> tuple[str, ...]:
    """Return the masks that judge volts, or levels re a volt, as ``check.metric`` in the file's order."""
    return tuple(
        f"{check.name}.{spec.name}"
        for check in limits.checks
        for spec in check.masked
        if rests_on_volts(spec.unit)
    )


def uncalibrated_refusal(limits: LimitFile, volts_uncertainty: float | None, file: str) -> str | None:
    """Return why volts of unknown uncertainty cannot decide a limit file; None if they can.

    Parameters
    ----------
    limits : LimitFile
    volts_uncertainty : float or None
        Relative standard uncertainty of the capture's full scale in volts; None where nobody states it.
    file : str
        Which file is to state it, in words.
    """
    masks = volt_masks(limits)
    if limits.decision != "guarded" or volts_uncertainty is not None or not masks:
        return None
    return (
        f"the limit file is guarded and judges volts ({listed(masks, MAX_NAMED)}), whose uncertainty is not "
        f"known: state calibration.uncertainty_percent in {file}, the standard uncertainty (k = 1) of full_scale_volts "
        "in percent"
    )
