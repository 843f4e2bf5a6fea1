"""``linecheck manual``: the manual that comes along, on the screen or as pages."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import click

from linecheck.cli.display.messages import tell
from linecheck.cli.manual.topics import SECTIONS, Topic, topics
from linecheck.errors import UsageError
from linecheck.files.text import visible

__all__ = ["command"]


@click.command(name="manual")
@click.argument("topic", required=False)
@click.option("--html", metavar="DIR", help="Write the whole manual as pages into this folder.")
@click.option("--source", is_flag=True, help="Print the topic's Markdown as it is.")
def command(topic: str | None, html: str | None, source: bool) -> None:
    """List the manual's topics, or show one.

    The manual needs no network. Its reference is made from the program itself: commands, limit file, station config,
    capture set, result, metrics.
    """
    if topic is not None and html is not None:
        raise UsageError("--html writes the whole manual: give no topic with it")
    if html is not None:
        from linecheck.cli.manual.pages import write_pages

        click.echo(str(write_pages(Path(html))))
        tell(f"{len(topics())} topics written")
    elif topic is None:
        _list()
    else:
        _show(_found(topic), source)


def _list() -> None:
    known = topics()
    for section, heading in SECTIONS.items():
        click.echo(f"\n{heading}")
        for one in known:
            if one.section == section:
                click.echo(f"  {one.name:<17} {one.title}")
    click.echo("\nlinecheck manual TOPIC shows one; --html DIR writes all of them as pages.")


def _found(name: str) -> Topic:
    """Return a topic by its name.

    Raises
    ------
    UsageError
        There is none.
    """
    known = {one.name: one for one in topics()}
    if name in known:
        return known[name]
    near = [one for one in known if name.lower() in one]
    hint = f"did you mean {', '.join(near)}?" if near else "`linecheck manual` lists them"
    raise UsageError(f"the manual has no topic {visible(name[:60])!r}: {hint}")


def _show(topic: Topic, source: bool) -> None:
    text = topic.text()
    if source or not sys.stdout.isatty():
        click.echo(text, nl=False)
        return
    from rich.console import Console, ConsoleOptions
    from rich.markdown import CodeBlock, Markdown
    from rich.text import Text

    class Command(CodeBlock):
        """A command stays one line, however long: one that is broken cannot be copied into a shell."""

        def __rich_console__(self, _console: Console, _options: ConsoleOptions) -> Iterator[Text]:
            code = Text(str(self.text).rstrip(), style="bold", no_wrap=True, overflow="ignore")
            yield code

    class Page(Markdown):
        elements = Markdown.elements | {"fence": Command, "code_block": Command}

    console = Console()
    with console.pager(styles=True):
        console.print(Page(text), crop=False, soft_wrap=False)
