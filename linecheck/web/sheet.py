"""Control codes as barcodes, to print and scan: Code 128, drawn as SVG."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby

from barcode import Code128

from linecheck.line.codes import Code

#: mm. A module of a third of a millimetre is what any scanner reads from any printer; common practice, no source.
MODULE_MM = 0.33
HEIGHT_MM = 12.0
#: Modules that stay white on either side (ISO/IEC 15417, from memory).
QUIET_MODULES = 10


def barcode_svg(text: str) -> str:
    """Return a text as Code 128, as an SVG drawing in millimetres."""
    modules = str(Code128(text).build()[0])
    width = len(modules) + 2 * QUIET_MODULES
    bars = "".join(
        f'<rect x="{start + QUIET_MODULES}" y="0" width="{length}" height="{HEIGHT_MM / MODULE_MM:.1f}"/>'
        for start, length in _bars(modules)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="barcode" width="{width * MODULE_MM:.1f}mm" '
        f'height="{HEIGHT_MM}mm" viewBox="0 0 {width} {HEIGHT_MM / MODULE_MM:.1f}" preserveAspectRatio="none">'
        f"{bars}</svg>"
    )


def _bars(modules: str) -> Iterator[tuple[int, int]]:
    """Yield where each bar begins, and how wide it is, in modules."""
    at = 0
    for is_bar, run in groupby(modules, key=lambda module: module == "1"):
        length = len(list(run))
        if is_bar:
            yield at, length
        at += length


def sheet(codes: Iterable[Code]) -> list[dict[str, str]]:
    """Return what stands on the sheet of each code: its meaning, its text and its drawing."""
    return [{"meaning": code.meaning, "text": code.text, "drawing": barcode_svg(code.text)} for code in codes]
