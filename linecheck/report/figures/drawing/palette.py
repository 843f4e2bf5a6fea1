"""Colours and dashes: told apart by the colour-blind and in grey, dark enough on white paper."""

from __future__ import annotations

#: For text and axes; every pair of ink and white has a contrast of 4.5 or more.
INK, QUIET_INK = "#222222", "#595959"
#: Colour and dash of each curve, by turns: hues that the common forms of colour blindness tell apart (after Okabe
#: and Ito), darkened until text in them is readable on white.
LINES = (
    ("#00578F", ()),
    ("#B84700", (5, 1.6)),
    ("#00735A", (1.4, 1.2)),
    ("#8A3A78", (6, 1.5, 1.4, 1.5)),
    ("#5C4A00", (9, 4)),
    ("#00578F", (1.4, 2.4)),
    ("#B84700", (3, 1, 1, 1, 1, 1)),
    ("#00735A", (8, 1.5, 3, 1.5)),
)
#: The same, lighter, for a reference unit.
REFERENCE = ("#767676", (2.5, 1.5))
#: Of several references each has a dash of its own, by turns, and each of its channels a grey.
OVERLAYS, OVERLAY_DASHES = ("#6E6E6E", "#A3A3A3"), ((8, 2), (2, 2), (10, 2.5, 2, 2.5), (4.5, 4.5))
#: Tint and edge of the zones that a mask forbids.
MARGINAL, FAILS = ("#FFF3D1", "#7A5C00"), ("#F4E4E1", "#8A2B1D")
#: What fails is hatched too.
HATCHED = {"fill": FAILS[0], "hatch": "#D8B5AE"}
#: The families that a page may have, in the browser's own words.
FONT = "system-ui, -apple-system, 'Segoe UI', 'Liberation Sans', Arial, sans-serif"
