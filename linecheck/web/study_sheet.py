"""The sheet of a gauge study: its runs in order, each with the bar code of its unit, to print, tick and scan from."""

from __future__ import annotations

from typing import Any

from linecheck.errors import UsageError
from linecheck.line.codes import Code, Order
from linecheck.report.render import escaping_environment
from linecheck.statistics.gauge.plan import Plan


def study_sheet(plan: Plan) -> str:
    """Return the sheet of a plan as one HTML page.

    Raises
    ------
    UsageError
        A library is missing, or a name cannot be a bar code.
    """
    try:
        from linecheck.web.sheet import barcode_svg
    except ImportError as error:
        raise UsageError("the sheet of bar codes needs the extra: pip install 'linecheck[web]'") from error
    try:
        drawings = {unit: barcode_svg(unit) for unit in plan.units}
        codes = _operators(plan)
        drawings |= {text: barcode_svg(text) for text in codes.values()}
    except Exception as error:
        raise UsageError(f"the sheet of bar codes: {error}") from error
    return (
        escaping_environment("linecheck.web")
        .get_template("study.html")
        .render(plan=plan, blocks=_blocks(plan, codes), drawings=drawings, total=len(plan.entries))
    )


def _operators(plan: Plan) -> dict[str, str]:
    if plan.factor != "operator":
        return {}
    return {level: Code(Order.OPERATOR, level).text for level in plan.levels}


def _blocks(plan: Plan, codes: dict[str, str]) -> list[dict[str, Any]]:
    """Return the runs by what stays the same meanwhile: of each nest or station on its own."""
    runs = list(enumerate(plan.entries, 1))
    if plan.is_by_place:
        runs = [
            (number, entry)
            for level in plan.levels
            for number, entry in enumerate((one for one in plan.entries if one.level == level), 1)
        ]
    blocks: list[dict[str, Any]] = []
    for number, entry in runs:
        key = (entry.level, entry.repeat)
        if not blocks or blocks[-1]["key"] != key:
            blocks.append(
                {
                    "key": key,
                    "title": f"{plan.factor.capitalize()}: {entry.level}" if plan.factor else "",
                    "repeat": entry.repeat,
                    "code": codes.get(entry.level),
                    "runs": [],
                }
            )
        blocks[-1]["runs"].append({"number": number, "unit": entry.unit})
    return blocks
