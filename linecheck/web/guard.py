"""What every request must be before anything else looks at it.

A page of another origin, or another name for this computer (DNS rebinding), reaches nothing: the Host must be one that
the server was started for, an Origin, where there is one, the same, and so what a browser says of who asks. Where the
server can be reached from elsewhere, a token is asked for as well.
"""

from __future__ import annotations

import hmac
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from http.cookies import SimpleCookie
from typing import Final
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: A scan is much smaller; nothing else is sent to the server.
MAX_BODY_BYTES: Final = 16 * 1024
TOKEN_COOKIE: Final = "linecheck_token"

#: Pages run the server's own script, and load nothing from elsewhere.
POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "frame-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'self'"
)
#: Pages for paper bring their own styles, run no script and load nothing.
PAPER_POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'self'"
)
_HEADERS: Final = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


@dataclass(frozen=True)
class Guard:
    """An ASGI application that lets through what is asked for by the server's own pages.

    Attributes
    ----------
    app : ASGI application
    hosts : collection of str
        Names with port, as a browser writes them, lower case.
    token : str or None
        What everybody must know; None where only this computer reaches the server.
    """

    app: ASGIApp
    hosts: Collection[str]
    token: str | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or have it answered."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        refusal = self._refusal(scope)
        if refusal is not None:
            await refusal(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in {"Content-Security-Policy": POLICY, **_HEADERS}.items():
                    headers.setdefault(name, value)
            await send(message)

        await self.app(scope, _bounded(receive), guarded)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        hosts, origin = headers.getlist("host"), headers.get("origin")
        if len(hosts) != 1 or hosts[0].lower() not in self.hosts:
            return PlainTextResponse("this server has another name: use the address that it printed\n", 421)
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            # An image of another page sends no Origin, and would take the place of the page that operates.
            return PlainTextResponse("a page of another server may not ask this one\n", 403)
        if origin is not None and origin.lower() not in set(self._origins()):
            return PlainTextResponse("a page of another server may not ask this one\n", 403)
        if scope["method"] not in ("GET", "HEAD") and origin is None:
            return PlainTextResponse("only the server's own pages may send something\n", 403)
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > MAX_BODY_BYTES:
            return PlainTextResponse("that is too long\n", 413)
        return None if self.token is None else self._token_refusal(scope, headers, self.token)

    def _origins(self) -> Iterator[str]:
        for host in self.hosts:
            yield f"http://{host}"

    def _token_refusal(self, scope: Scope, headers: Headers, token: str) -> Response | None:
        cookies: SimpleCookie = SimpleCookie()
        cookies.load(headers.get("cookie", ""))
        known = cookies[TOKEN_COOKIE].value if TOKEN_COOKIE in cookies else ""
        if _same(known, token):
            return None
        given = parse_qs(scope["query_string"].decode("ascii", "replace")).get("token", [""])[-1]
        if scope["method"] == "GET" and _same(given, token):
            # The token leaves the address at once: it is not for the history or a screenshot.
            answer = RedirectResponse(Request(scope).url.path, 303)
            answer.set_cookie(TOKEN_COOKIE, token, httponly=True, samesite="strict", path="/")
            return answer
        return PlainTextResponse("give the token once: http://…/?token=TOKEN\n", 401)


def _same(given: str, token: str) -> bool:
    return hmac.compare_digest(given.encode(), token.encode())


def _bounded(receive: Receive) -> Receive:
    """Return what receives no more than a request may have, whatever its header says."""
    received = 0

    async def bounded() -> Message:
        nonlocal received
        message = await receive()
        received += len(message.get("body", b""))
        if received > MAX_BODY_BYTES:
            return {"type": "http.disconnect"}
        return message

    return bounded
