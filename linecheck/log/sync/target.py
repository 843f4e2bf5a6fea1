"""The server that is meant."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import parse_qsl, quote, unquote, urlsplit

from linecheck.errors import UsageError
from linecheck.files.text import visible
from linecheck.station.config.server_url import check_server_url


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

    def exposed(self, environment: Mapping[str, str]) -> str | None:
        """Return a warning where the way to a server on another machine may be in plain text; None where it is not.

        libpq falls back to that, and takes any certificate, unless ``sslmode`` says otherwise (PostgreSQL manual,
        chapter libpq, "SSL Support"). ``environment`` is what it looks for the rest in (``PGHOST``, ``PGSSLMODE``).
        """
        parts = urlsplit(self.url)
        options = dict(parse_qsl(parts.query, keep_blank_values=True))
        if "sslmode" in options or environment.get("PGSSLMODE"):
            return None
        named = (
            options.get("hostaddr"),
            parts.netloc.rpartition("@")[2],
            options.get("host"),
            environment.get("PGHOSTADDR"),
            environment.get("PGHOST"),
        )
        hosts = next((hosts for hosts in named if hosts), "")
        if all(_is_here(host) for host in unquote(hosts).split(",")):
            return None
        return (
            f"warning: {self} is on another machine, and nothing says that the way there is encrypted and leads to the "
            "right one: add ?sslmode=verify-full&sslrootcert=FILE to the URL (or set PGSSLMODE)"
        )

    def __str__(self) -> str:
        """Return its name as it is shown."""
        return visible(self.name)


def _is_here(host: str) -> bool:
    """Return whether a host of a URL, with or without its port, is this machine: a socket, or its own address."""
    name = host[1:].partition("]")[0] if host.startswith("[") else host.rpartition(":")[0] or host
    return not name or name.startswith(("/", "@", "127.")) or name.lower() in ("localhost", "::1")


def _name(url: str) -> str:
    parts = urlsplit(url)
    options = dict(parse_qsl(parts.query, keep_blank_values=True))
    host = parts.netloc.rpartition("@")[2] or quote(options.get("host", "localhost"), safe="/")
    if "port" in options and ":" not in host:
        host = f"{host}:{options['port']}"
    database = unquote(parts.path).lstrip("/") or options.get("dbname", "")
    return f"postgresql://{host.lower()}/{database}"
