"""The topics of the manual: those written by hand, and the reference that is made from the program."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Final

#: The four kinds of text, by their folders, in the order in which they are listed.
SECTIONS: Final = {
    "tutorials": "Tutorials: follow them once, from the first line to the last",
    "how-to": "How to: one task each",
    "reference": "Reference: made from the program",
    "explanation": "Explanation: why it is as it is",
}
#: What is to be read in an order; the rest is listed by name.
_ORDER: Final = ("first-run", "own-model", "firmware-ci", "sign-off", "shift")


@dataclass(frozen=True)
class Topic:
    """A page of the manual; ``text`` gives its Markdown, whose first line is the title."""

    name: str
    section: str
    title: str
    text: Callable[[], str]


@cache
def topics() -> tuple[Topic, ...]:
    """Return all topics, section by section."""
    from linecheck.cli.manual.reference import REFERENCE

    found = [_written(entry, section) for section in SECTIONS for entry in _pages(section)]
    found += [Topic(name, "reference", title, make) for name, (title, make) in REFERENCE.items()]
    places = {section: at for at, section in enumerate(SECTIONS)}
    return tuple(sorted(found, key=lambda one: (places[one.section], *_place(one.name))))


def figures() -> tuple[Traversable, ...]:
    """Return the figures that topics show."""
    return tuple(entry for entry in _room().iterdir() if entry.name.endswith((".svg", ".png")))


def _room() -> Traversable:
    return files("linecheck").joinpath("manual")


def _pages(section: str) -> list[Traversable]:
    folder = _room().joinpath(section)
    return [entry for entry in folder.iterdir() if entry.name.endswith(".md")] if folder.is_dir() else []


def _written(entry: Traversable, section: str) -> Topic:
    text = entry.read_text(encoding="utf-8")
    title = text.partition("\n")[0].removeprefix("# ")
    return Topic(entry.name.removesuffix(".md"), section, title, lambda: text)


def _place(name: str) -> tuple[int, str]:
    return (_ORDER.index(name), "") if name in _ORDER else (len(_ORDER), name)
