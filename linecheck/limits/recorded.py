"""A limit file as records keep it: plain data, readable years later without the file or its kinds.

==========================  ===============================================================
:func:`limits_content`      a limit file as plain data
:func:`recorded_limits`     that data as a limit file; nothing can be played by it
==========================  ===============================================================
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any, NoReturn

from pydantic import ConfigDict

from linecheck.checks.base import CheckKind, Parameters
from linecheck.limits.model import Bounds, Check, Limit, LimitFile, LimitReference, Mask
from linecheck.limits.retest import RetestPolicy
from linecheck.limits.study import StudyPolicy

Content = Mapping[str, Any]

#: What is kept of a limit file as it is.
_AS_IT_IS = ("model", "serial_pattern", "decision", "approved_by", "approved_on")


class RecordedParameters(Parameters):
    """Parameters as recorded, taken as they are, even those that no kind has any longer."""

    model_config = ConfigDict(extra="allow")


class _RecordedKind(CheckKind):
    """Stands for the kind of a check that was recorded: it is named, and nothing is played or measured by it.

    So a record is read without any kind's code, also where this linecheck no longer has the kind.
    """

    text = "a check of a record, which nothing plays or measures"
    stimulus_parameters = RecordedParameters
    analysis_parameters = RecordedParameters
    metrics = ()

    def _never(self, *_: Any, **__: Any) -> NoReturn:  # noqa: ANN401
        raise NotImplementedError(self.text)

    stimulus = locate = measure = _never


def limits_content(limits: LimitFile) -> dict[str, Any]:
    """Return what a limit file says (stimuli, analysis, masks) as plain data."""
    content = {
        "revision": limits.revision,
        "channels": list(limits.channels),
        **{name: getattr(limits, name) for name in _AS_IT_IS},
        "checks": [_check_content(check) for check in limits.checks],
    }
    if limits.retest is not None:
        content["retest"] = limits.retest.model_dump(mode="json")
    if limits.study is not None:
        content["study"] = limits.study.model_dump(mode="json")
    return content


def recorded_limits(content: Content, reference: LimitReference) -> LimitFile:
    """Return a limit file as :func:`limits_content` has kept it.

    Raises
    ------
    KeyError, TypeError, ValueError, AttributeError
        It is not that.
    """
    return LimitFile(
        path=reference.path,
        sha256=reference.sha256,
        revision=reference.revision,
        channels=tuple(content["channels"]),
        setup={},
        checks=tuple(_recorded_check(check) for check in content["checks"]),
        **{name: content[name] for name in _AS_IT_IS},
        retest=RetestPolicy.model_validate(content["retest"]) if "retest" in content else None,
        study=StudyPolicy.model_validate(content["study"]) if "study" in content else None,
    )


def _check_content(check: Check) -> dict[str, Any]:
    return {
        "name": check.name,
        "kind": check.kind.name,
        "setup": dict(check.setup),
        "reference": check.reference,
        "stimulus": check.stimulus_values,
        "analysis": check.analysis_values,
        "masks": {
            name: {"pass": vars(mask.pass_), "fail": mask.fail and vars(mask.fail)}
            for name, mask in check.masks.items()
        },
    }


def _recorded_check(content: Content) -> Check:
    return Check(
        name=content["name"],
        kind=_kind(content["kind"]),
        stimulus=RecordedParameters.model_construct(**content.get("stimulus", {})),
        analysis=RecordedParameters.model_construct(**content.get("analysis", {})),
        setup=content["setup"],
        masks={name: _recorded_mask(mask) for name, mask in content["masks"].items()},
        reference=content["reference"],
    )


@cache
def _kind(name: str) -> CheckKind:
    kind: CheckKind = type("RecordedKind", (_RecordedKind,), {"name": name})()
    return kind


def _recorded_mask(content: Content) -> Mask:
    inner, outer = (
        bounds and Bounds(_recorded_limit(bounds["min"]), _recorded_limit(bounds["max"]))
        for bounds in (content["pass"], content["fail"])
    )
    return Mask(inner, outer)


def _recorded_limit(limit: float | Sequence[Sequence[float]] | None) -> Limit | None:
    if limit is None or isinstance(limit, int | float):
        return limit
    return tuple((float(x), float(y)) for x, y in limit)
