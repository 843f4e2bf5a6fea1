"""Barcodes: what is drawn is read back bar by bar."""

import re
from itertools import pairwise

import pytest

from linecheck.line.codes import KEYS, Code, Order
from linecheck.web.sheet import QUIET_MODULES, barcode_svg

#: Widths of bars and spaces of Code 128, values 0 to 106 (ISO/IEC 15417, table 1; from memory, as many public pages
#: have it): set B begins with value 104 and ends with 106, value v is the character of code 32 + v.
TABLE = """
212222 222122 222221 121223 121322 131222 122213 122312 132212 221213 221312 231212 112232 122132 122231 113222
123122 123221 223211 221132 221231 213212 223112 312131 311222 321122 321221 312212 322112 322211 212123 212321
232121 111323 131123 131321 112313 132113 132311 211313 231113 231311 112133 112331 132131 113123 113321 133121
313121 211331 231131 213113 213311 213131 311123 311321 331121 312113 312311 332111 314111 221411 431111 111224
111422 121124 121421 141122 141221 112214 112412 122114 122411 142112 142211 241211 221114 413111 241112 134111
111242 121142 121241 114212 124112 124211 411212 421112 421211 212141 214121 412121 111143 111341 131141 114113
114311 411113 411311 113141 114131 311141 411131 211412 211214 211232
"""
WIDTHS = TABLE.split()
START_B, TO_C, TO_B, START_C = 104, 99, 100, 105
#: 2 3 3 1 1 1 2: the last bar of the stop pattern makes it 13 modules.
STOP = "2331112"


def read(svg):
    """Return the text of a barcode, from where its bars begin and how wide they are."""
    bars = [(int(x), int(width)) for x, width in re.findall(r'<rect x="(\d+)" y="0" width="(\d+)"', svg)]
    assert bars[0][0] == QUIET_MODULES
    edges = [edge for x, width in bars for edge in (x, x + width)]
    widths = "".join(str(second - first) for first, second in pairwise(edges))
    assert widths.endswith(STOP)
    values = [WIDTHS.index(widths[at : at + 6]) for at in range(0, len(widths) - len(STOP), 6)]
    start, *body, check = values
    assert check == (start + sum(place * value for place, value in enumerate(body, 1))) % 103
    text, is_c = "", start == START_C
    for value in body:
        if value == TO_C and not is_c:
            is_c = True
        elif value == TO_B and is_c:
            is_c = False
        else:
            text += f"{value:02d}" if is_c else chr(32 + value)
    return text


@pytest.mark.every_python
@pytest.mark.parametrize(
    "code",
    [
        *(Code(order) for order in (Order.STOP, Order.RESUME, Order.DONE)),
        Code(Order.OPERATOR, "A. Berg"),
        Code(Order.KEYS, KEYS),
    ],
)
def test_a_barcode_says_the_code(code):
    assert read(barcode_svg(code.text)) == code.text
