"""The URL of the central server, checked without its driver.

It never holds a password: a URL stands in config files, process lists and messages. The password comes from the
environment (``PGPASSWORD``) or from ``~/.pgpass``, as libpq looks for it.
"""

from __future__ import annotations

from urllib.parse import parse_qsl, unquote, urlsplit

MAX_URL_LENGTH = 500

_SCHEMES = ("postgresql", "postgres")
_EXAMPLE = "postgresql://USER@HOST/DATABASE"
_SECRET = frozenset({"password", "sslpassword"})


def check_server_url(url: str) -> str:
    """Return the URL of a PostgreSQL database; what is wrong with another is said without repeating it.

    Raises
    ------
    ValueError
        It is none, or holds a password.
    """
    scheme, found, _ = url.partition("://")
    if not found or scheme not in _SCHEMES:
        raise ValueError(f"is no PostgreSQL URL: expected {_EXAMPLE}")
    if len(url) > MAX_URL_LENGTH or not url.isprintable() or " " in url:
        raise ValueError(f"is no URL: it has at most {MAX_URL_LENGTH} characters, and no spaces")
    try:
        parts = urlsplit(url)
        options = dict(parse_qsl(parts.query, keep_blank_values=True))
        name = unquote(parts.path).lstrip("/") or options.get("dbname", "")
    except ValueError:
        raise ValueError(f"is no URL: expected {_EXAMPLE}") from None
    if ":" in parts.netloc.rpartition("@")[0] or _SECRET & options.keys():
        raise ValueError(
            "holds a password, which anybody can read there: leave it out and put it into ~/.pgpass or PGPASSWORD"
        )
    if not name:
        raise ValueError(f"names no database: expected {_EXAMPLE}")
    return url
