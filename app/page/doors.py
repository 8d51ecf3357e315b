"""Who may come in: the right Host, the right Origin, and with `--lan` a token that works once per device."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

ENTER = "/enter"
READING = ("GET", "HEAD")
NO_LINK = (
    "This page needs the link that stands in the terminal where shimwright was started. Each link lets one device in; "
    "for another device take the newest one."
)


@dataclass
class Tokens:
    """Links for devices. Each works once; the next one is made and announced when it was used."""

    announce: Callable[[str], None]
    current: str = field(default_factory=lambda: secrets.token_urlsafe(18))
    _sessions: set[str] = field(default_factory=set)

    def enter(self, told: str) -> str | None:
        """A session for a link not used before, else None."""
        if not hmac.compare_digest(told.encode(), self.current.encode()):
            return None
        session, self.current = secrets.token_urlsafe(24), secrets.token_urlsafe(18)
        self._sessions.add(session)
        self.announce(self.current)
        return session

    def known(self, session: str) -> bool:
        return session in self._sessions


class Doors:
    """Around the whole application. hosts: what a browser may call this server, as `name:port`."""

    def __init__(self, app: ASGIApp, hosts: frozenset[str], tokens: Tokens | None = None) -> None:
        self._app, self._hosts, self._tokens = app, hosts, tokens
        self._cookie = "shimwright-" + max(hosts).rpartition(":")[2]  # cookies do not tell ports apart

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        answer = self._refusal(scope)
        if answer is None:
            await self._app(scope, receive, _guarded(send, Headers(scope=scope).get("host", "")))
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008, "reason": "not allowed"})
        else:
            await answer(scope, receive, _guarded(send, ""))

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if headers.get("host", "").lower() not in self._hosts:
            return _said(403, "This server does not go by that name: use the address from the terminal.")
        if not self._origin_allowed(scope, headers):
            return _said(403, "That came from another site, so it was not done.")
        if self._tokens is None:
            return None
        if scope["type"] == "http" and scope["path"] == ENTER and scope["method"] in READING:
            return self._entered(scope, self._tokens)
        return None if self._tokens.known(self._session(headers)) else _said(403, NO_LINK)

    def _origin_allowed(self, scope: Scope, headers: Headers) -> bool:
        """Reading by address needs none; whatever changes something, or stays open, must come from our own page."""
        origin = headers.get("origin")
        own = origin is not None and origin.lower().removeprefix("http://") in self._hosts
        if scope["type"] == "websocket" or scope["method"] not in READING:
            return own
        if origin is not None and not own:
            return False
        return headers.get("sec-fetch-site") != "cross-site" or headers.get("sec-fetch-mode") == "navigate"

    def _entered(self, scope: Scope, tokens: Tokens) -> Response:
        told = scope["query_string"].decode("latin-1").removeprefix("key=")
        session = tokens.enter(told)
        if session is None:
            return _said(403, NO_LINK)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(self._cookie, session, httponly=True, samesite="lax")
        return answer

    def _session(self, headers: Headers) -> str:
        try:
            jar = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return ""
        return jar[self._cookie].value if self._cookie in jar else ""


def _said(status: int, text: str) -> Response:
    return PlainTextResponse(text + "\n", status)


def _guarded(send: Send, host: str) -> Send:
    """The answer with the headers that keep a browser to this page alone: nothing from elsewhere, nothing inline."""
    policy = (
        "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; img-src 'self' data:; "
        f"connect-src 'self'{f' ws://{host}' if host else ''}; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    )
    extra = [
        (b"content-security-policy", policy.encode("latin-1")),
        (b"x-content-type-options", b"nosniff"),
        (b"referrer-policy", b"no-referrer"),
        (b"cross-origin-opener-policy", b"same-origin"),
        (b"cross-origin-resource-policy", b"same-origin"),
        (b"cache-control", b"no-store"),
    ]

    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            message = {**message, "headers": [*message.get("headers", []), *extra]}
        await send(message)

    return sent
