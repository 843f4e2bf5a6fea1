"""Where words have room in a figure: boxes that do not overlap. All lengths are points."""

from __future__ import annotations

#: Left, bottom, right, top.
Box = tuple[float, float, float, float]

#: How wide a letter is, in the size of the font: the wider ones of common sans-serif fonts on average.
_LETTER = 0.57
_LINE = 1.25
_STEPS = (8.0, 18.0, 28.0, 38.0, 50.0, 62.0, 76.0, 92.0, 110.0, 130.0)


def text_width(text: str, size: float) -> float:
    """Return about how wide a text is; scripts with wide letters count double."""
    return size * _LETTER * sum(2 if ord(letter) > 0x2E7F else 1 for letter in text)


def fitted(text: str, size: float, room: float) -> float:
    """Return the size of a font in which a text has room: this one, or a smaller one."""
    return min(size, size * room / max(text_width(text, size), 1.0))


class Labels:
    """The words that stand in a figure's axes so far."""

    def __init__(self, left: float, bottom: float, width: float, height: float) -> None:
        self._inside: Box = (left, bottom, left + width, bottom + height)
        self._taken: list[Box] = []

    def take(self, box: Box) -> None:
        """Keep a box for oneself."""
        self._taken.append(box)

    def free(self, x: float, y: float, text: str, size: float, *, right: bool = False) -> Box | None:
        """Return the box of a text whose lower left (or right) corner is here; None where it has no room."""
        width = text_width(text, size)
        left = x - width if right else x
        box = (left, y, left + width, y + _LINE * size)
        return box if self._is_free(box) else None

    def near(self, point: tuple[float, float], text: str, size: float) -> Box | None:
        """Return a free box close to a point, above it if there is room; None where there is none."""
        width, height = text_width(text, size), _LINE * size
        for step in _STEPS:
            for up in (point[1] + step, point[1] - step - height):
                for left in (point[0] + 4.0, point[0] - 0.5 * width, point[0] - width - 4.0):
                    box = (self._held(left, width), up, self._held(left, width) + width, up + height)
                    if self._is_free(box):
                        return box
        return None

    def _held(self, left: float, width: float) -> float:
        """Return a left edge with which a text stays between the axes' ends, if it can."""
        return max(min(left, self._inside[2] - width), self._inside[0] + 2.0)

    def _is_free(self, box: Box) -> bool:
        inside = self._inside
        if box[0] < inside[0] or box[1] < inside[1] or box[2] > inside[2] + 1.0 or box[3] > inside[3] + 1.0:
            return False
        return not any(
            box[0] < other[2] and other[0] < box[2] and box[1] < other[3] and other[1] < box[3]
            for other in self._taken
        )
