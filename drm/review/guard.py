"""Who may speak to the page's server: this computer's own browser, with this start's token, from this page."""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs

__all__ = ["LARGEST_BODY", "POLICY", "Guard"]

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

#: Everything from this server, nothing inline, nothing in frames.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
#: Largest body of a request that is read, bytes: the longest reason in the widest characters fits.
LARGEST_BODY = 2_000_000


class Guard:
    """Refuses whatever does not come from the page itself, and sets the headers of every answer.

    Parameters
    ----------
    app : ASGI application
    port : int
    token : str
        Of this start; asked for in a cookie, or once in the address that the user was given.
    """

    def __init__(self, app: App, *, port: int, token: str) -> None:
        self.app, self.port, self.token = app, port, token
        self.hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        self.cookie = f"drm_review_{port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        why = self._refusal(scope)
        if not why and scope["path"] == "/" and self._brings_token(scope):
            # Sent on without the token, so that it stays out of the history and of what is copied from the address bar.
            cookie = f"{self.cookie}={self.token}; HttpOnly; Path=/; SameSite=Strict"
            await _answer(send, 303, "", (b"location", b"/"), (b"set-cookie", cookie.encode()))
            return
        if why:
            await _answer(send, 403, f"drm review: {why}\n")
            return
        await self.app(scope, receive, _with_headers(send))

    def _refusal(self, scope: Scope) -> str:
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        if headers.get("host", "") not in self.hosts:
            return "this server answers to this computer's own name only"
        origin = headers.get("origin")
        own = {f"http://{h}" for h in self.hosts}
        if origin is not None and origin not in own:
            return "the request comes from another page"
        if headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
            return "the request comes from another page"
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return "no such request"
        if scope["method"] == "POST" and (origin is None or headers.get("x-drm-review") != "1"):
            return "the request does not come from the page"
        if not self._known(headers.get("cookie", "")) and not (scope["path"] == "/" and self._brings_token(scope)):
            return "open the page with the address that the program printed"
        return ""

    def _known(self, cookies: str) -> bool:
        try:
            told = SimpleCookie(cookies).get(self.cookie)
        except CookieError:
            return False
        return told is not None and self.right(told.value)

    def _brings_token(self, scope: Scope) -> bool:
        told = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])
        return self.right(told[0])

    def right(self, token: str) -> bool:
        """Whether `token` is that of this start, compared in constant time."""
        return secrets.compare_digest(token.encode(), self.token.encode())


def _with_headers(send: Send) -> Send:
    async def sending(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            have = {k.lower() for k, _ in message["headers"]}
            extra = {
                b"content-security-policy": POLICY.encode(),
                b"x-content-type-options": b"nosniff",
                b"referrer-policy": b"no-referrer",
                b"cross-origin-opener-policy": b"same-origin",
                b"cross-origin-resource-policy": b"same-origin",
                b"cache-control": b"no-store",
            }
            message["headers"] = [*message["headers"], *((k, v) for k, v in extra.items() if k not in have)]
        await send(message)

    return sending


async def _answer(send: Send, status: int, text: str, *more: tuple[bytes, bytes]) -> None:
    body = text.encode()
    length = str(len(body)).encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", length), *more]
    await _with_headers(send)({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
