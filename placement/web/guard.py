"""The door: which requests get in at all, and what every answer says to the browser.

The page listens on the own machine, yet any page open in the same browser may send requests to it.
So: the Host must be one of ours (against DNS rebinding), a change must come from our own page
(Origin, and a token that is new with every start), what another site embeds gets nothing
(Sec-Fetch-Site, Cross-Origin-Resource-Policy), and a strict content policy keeps the browser from
running or fetching anything that is not ours.

Source: OWASP Cheat Sheet Series, "Cross-Site Request Forgery Prevention" and "HTTP Headers"
(from memory); W3C, Fetch Metadata Request Headers.
"""

from __future__ import annotations

import hmac
import secrets
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

SAFE_METHODS = ("GET", "HEAD")
TOKEN_HEADER = "x-page-token"
SESSION_COOKIE = "serve-placement-session"
MOST_BODY = 2 << 20  # bytes, of a form or a small message
STREAMED = ("/uploads/", "/keep/restore")  # these count their own bytes

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data: blob:",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), usb=(), payment=()",
}


class Guard:
    """ASGI middleware that lets in what belongs here and nothing else.

    Parameters
    ----------
    app : ASGI application
    hosts : tuple of str
        Names under which the page answers, without port.
    token : str
        Sent along with every change; new with every start.
    password : str
        Asked for first; empty for none.
    """

    def __init__(
        self, app: ASGIApp, *, hosts: tuple[str, ...], token: str, password: str = ""
    ) -> None:
        self.app = app
        self.hosts = hosts
        self.token = token
        self.password = password
        self.session = secrets.token_urlsafe(24)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check one request and pass it on, or answer it."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # no websockets here
            await send({"type": "websocket.close", "code": 1008})
            return
        guarded = _with_headers(send)
        headers = Headers(scope=scope)
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await refusal(scope, receive, guarded)
            return
        if not scope["path"].startswith(STREAMED):
            receive = _limited(receive)
        if self.password and not self._has_session(headers):
            await self._ask_password(scope, receive, guarded)
            return
        if scope["method"] not in SAFE_METHODS:
            given, receive = await _token_of(headers, receive)
            if not hmac.compare_digest(given.encode(), self.token.encode()):
                answer = PlainTextResponse(
                    "This page was opened before the program was last started; load it again.", 403
                )
                await answer(scope, receive, guarded)
                return
        await self.app(scope, receive, guarded)

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        host = headers.get("host", "")
        if _name_of(host) not in self.hosts:
            return PlainTextResponse("This address is not served here.", 400)
        navigation = headers.get("sec-fetch-mode") == "navigate" and scope["method"] == "GET"
        if headers.get("sec-fetch-site") in ("cross-site", "same-site") and not navigation:
            return PlainTextResponse("Another site's page may not use this one.", 403)
        if scope["method"] in SAFE_METHODS:
            return None
        origin = headers.get("origin")
        if origin is not None and (
            urlsplit(origin).netloc != host or urlsplit(origin).scheme not in ("http", "https")
        ):
            return PlainTextResponse("Another site's page may not change anything here.", 403)
        return None

    def _has_session(self, headers: Headers) -> bool:
        for part in headers.get("cookie", "").split(";"):
            name, _, value = part.strip().partition("=")
            if name == SESSION_COOKIE:
                return hmac.compare_digest(value.encode(), self.session.encode())
        return False

    async def _ask_password(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["path"] == "/sign-in" and scope["method"] == "POST":
            body = await _whole(receive)
            given = parse_qs(body.decode("utf-8", "replace")).get("password", [""])[0]
            if hmac.compare_digest(given.encode(), self.password.encode()):
                answer: Response = RedirectResponse("/", 303)
                answer.set_cookie(SESSION_COOKIE, self.session, httponly=True, samesite="strict")
                await answer(scope, receive, send)
                return
        if scope["method"] in SAFE_METHODS and scope["path"].startswith("/static/"):
            await self.app(scope, receive, send)
            return
        wrong = scope["path"] == "/sign-in" and scope["method"] == "POST"
        await HTMLResponse(_SIGN_IN.format(said="That is not it. " if wrong else ""), 401)(
            scope, receive, send
        )


_SIGN_IN = """<!doctype html><html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width"><title>Sign in</title>
<link rel="stylesheet" href="/static/page.css"></head><body><main class="narrow">
<h1>Serve placement</h1><form method="post" action="/sign-in" class="stack">
<label>Password <input type="password" name="password" autocomplete="current-password" required
autofocus></label><p role="status">{said}</p><button class="primary">Sign in</button></form>
</main></body></html>"""


def _name_of(host: str) -> str:
    """A Host header without its port; a bracketed address stays bracketed."""
    if host.startswith("["):
        return host[: host.find("]") + 1].lower()
    return host.rpartition(":")[0].lower() if ":" in host else host.lower()


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
            headers.setdefault("Cache-Control", "no-store")
        await send(message)

    return sending


def _limited(receive: Receive) -> Receive:
    seen = 0

    async def receiving() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > MOST_BODY:
            raise HTTPException(413, "That is too much for one message.")
        return message

    return receiving


async def _whole(receive: Receive) -> bytes:
    body = b""
    while True:
        message = await receive()
        body += message.get("body", b"")
        if message["type"] != "http.request" or not message.get("more_body"):
            return body


async def _token_of(headers: Headers, receive: Receive) -> tuple[str, Receive]:
    """The token of a request, from its header or its form, and the body to be read again."""
    if TOKEN_HEADER in headers:
        return headers[TOKEN_HEADER], receive
    if not headers.get("content-type", "").startswith("application/x-www-form-urlencoded"):
        return "", receive
    try:
        body = await _whole(receive)
    except HTTPException:
        return "", receive
    sent = False

    async def again() -> Message:
        nonlocal sent
        if sent:
            return {"type": "http.disconnect"}
        sent = True
        return {"type": "http.request", "body": body, "more_body": False}

    return parse_qs(body.decode("utf-8", "replace")).get("token", [""])[0], again
