"""The manual as pages: one file a topic, that opens from disk, asks for no network, and prints."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markdown_it import MarkdownIt

from linecheck import __version__
from linecheck.cli.manual.topics import SECTIONS, figures, topics
from linecheck.files.durable import make_folder
from linecheck.files.write import write_atomically

#: A link from one topic to another, as it works between the files in the repository.
_LINK: Final = re.compile(r'(href|src)="(?:\.\./)?(?:[a-z-]+/)?([a-z0-9-]+)\.(md|svg|png)(#[\w-]*)?"')
_FIRST: Final = "index.html"


def write_pages(folder: Path) -> Path:
    """Write all topics into a folder; return the page that lists them.

    Raises
    ------
    RecordError
        A page cannot be written.
    """
    make_folder(folder)
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        loader=PackageLoader("linecheck", "manual"),
    )
    template = environment.get_template("page.html")
    known = topics()
    said = {"sections": SECTIONS, "topics": known, "version": __version__}
    for topic in known:
        page = template.render(topic=topic, body=_body(topic.text()), **said)
        write_atomically(folder / f"{topic.name}.html", page.encode())
    for figure in figures():
        write_atomically(folder / figure.name, figure.read_bytes())
    write_atomically(folder / _FIRST, template.render(topic=None, body="", **said).encode())
    return folder / _FIRST


def _body(markdown: str) -> str:
    """Return a topic as HTML; its text is the program's own, and raw HTML in it stays text."""
    html = str(MarkdownIt("commonmark", {"html": False}).enable("table").render(markdown))
    return _LINK.sub(_local, html)


def _local(link: re.Match[str]) -> str:
    attribute, name, kind, place = link[1], link[2], link[3], link[4] or ""
    return f'{attribute}="{name}.{"html" if kind == "md" else kind}{place}"'
