"""The server that is meant."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import parse_qsl, quote, unquote, urlsplit

from linecheck.errors import UsageError
from linecheck.files.text import visible
from linecheck.station.config.server_url import check_server_url

__all__ = ["Target"]


@dataclass(frozen=True)
class Target:
    """A database on a server.

    ``url`` is what the driver is given, ``name`` says which database it is whoever asks for it: neither holds a
    password.
    """

    url: str
    name: str

    @classmethod
    def parsed(cls, url: str, source: str = "--to") -> Target:
        """Return the database that a URL names.

        Raises
        ------
        UsageError
            It is no URL of a PostgreSQL database, or holds a password.
        """
        try:
            checked = check_server_url(url)
        except ValueError as error:
            raise UsageError(f"{source}: {error}") from None
        return cls(checked, _name(checked))

    def __str__(self) -> str:
        """Return its name as it is shown."""
        return visible(self.name)


def _name(url: str) -> str:
    parts = urlsplit(url)
    options = dict(parse_qsl(parts.query, keep_blank_values=True))
    host = parts.netloc.rpartition("@")[2] or quote(options.get("host", "localhost"), safe="/")
    if "port" in options and ":" not in host:
        host = f"{host}:{options['port']}"
    database = unquote(parts.path).lstrip("/") or options.get("dbname", "")
    return f"postgresql://{host.lower()}/{database}"
