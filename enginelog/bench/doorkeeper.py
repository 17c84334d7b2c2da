"""Stands before every page: which host was asked for, who asks, with which token, and how much may come in.

Nothing behind it has to think of these: a request that gets through comes from this page itself, in a session that is
paired where the network is let in, brings the session's token where it changes anything, and its body is bounded in
size, in pauses and in time.
"""

from __future__ import annotations

import asyncio
import re
import time
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any

from starlette.requests import Request

from enginelog.bench.desk import fields_of
from enginelog.bench.pairing import Pairing
from enginelog.bench.rendering import problem_page
from enginelog.bench.settings import Settings
from enginelog.model import UsageError

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
Application = Callable[[Scope, Receive, Send], Awaitable[None]]

SAFE = ("GET", "HEAD")
KNOWN = (*SAFE, "POST", "PUT", "DELETE")
OPEN_PATHS = re.compile(r"/(pair|static/[a-z_]+\.(css|js|svg))")
FORM = "application/x-www-form-urlencoded"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; media-src 'self' blob:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",  # with no-referrer a browser would not tell the origin of a form either
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "microphone=(self), camera=(), geolocation=()",
    "cache-control": "no-store",
}


class Refused(Exception):
    """A request that does not get through: its status, and a line that says why."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status, self.text = status, text


class Doorkeeper:
    """ASGI middleware; see the module."""

    def __init__(self, app: Application, settings: Settings, pairing: Pairing) -> None:
        self._app, self._settings, self._pairing = app, settings, pairing

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
        elif scope["type"] == "http":
            await self._answer(scope, receive, send)
        else:
            await send({"type": "websocket.close", "code": 1008})

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        started = False

        async def guarded(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                message["headers"] = _with_headers(scope, message.get("headers", []))
            await send(message)

        coming = _Coming(receive)
        try:
            self._check_host(scope, headers)
            _check_method(scope, headers)
            self._session(scope, headers)
            limit = self._body_limit(scope, headers)
            pause_s = self._settings.bound("body_pause_s")
            bounded = _bounded(coming, limit, pause_s, pause_s + self._longest_s(headers, limit))
            bounded = await self._check_token(scope, headers, bounded)
            await self._app(scope, bounded, guarded)
        except Refused as refused:
            if not started:
                if refused.status != 408 and "expect" not in headers:
                    bounds = self._settings
                    form, pieces = bounds.bound_bytes("largest_form_kb"), 2 * bounds.bound_bytes("largest_piece_mb")
                    await coming.let_go(pieces if refused.status == 413 else form, bounds.bound("refused_body_s"))
                await _refuse(scope, headers, guarded, refused)

    def _check_host(self, scope: Scope, headers: dict[str, str]) -> None:
        """The host must be this machine as the connection reached it, or one of its names: no foreign name that
        somebody has made to point here (DNS rebinding)."""
        hosts = [value for name, value in scope["headers"] if name.lower() == b"host"]
        address, port = (scope.get("server") or ("", None))[:2]
        literal = f"[{address}]" if ":" in str(address) else str(address)
        wanted = {f"{name}:{port}" for name in (literal, *self._settings.names)}
        if port in (80, 443):
            wanted |= {literal, *self._settings.names}
        if len(hosts) != 1 or headers.get("host", "").lower() not in wanted:
            raise Refused(421, f"This page is reached as {literal}:{port}, not under another name.")

    def _session(self, scope: Scope, headers: dict[str, str]) -> None:
        """Find the session; a visitor without one gets one on this machine, and is sent to pair in the network."""
        cookie = cookie_name(scope)
        given = _cookie(headers.get("cookie", ""), cookie)
        known = self._pairing.known(given)
        state = scope.setdefault("state", {})
        state["paired"] = known
        state["session"] = given if known else self._pairing.new()
        if not known and self._settings.lan and not OPEN_PATHS.fullmatch(scope["path"]):
            if scope["method"] in SAFE and "text/html" in headers.get("accept", ""):
                raise Refused(303, "/pair")
            raise Refused(401, "This device is not paired (any more): open the page and enter the code again.")
        if not known:
            state["set_cookie"] = not self._settings.lan
        state["csrf"] = self._pairing.csrf(state["session"])

    def _body_limit(self, scope: Scope, headers: dict[str, str]) -> int:
        limit = self._settings.bound_bytes("largest_piece_mb" if scope["method"] == "PUT" else "largest_form_kb")
        told = headers.get("content-length", "0")
        if not told.isascii() or not told.isdigit() or int(told) > limit:
            raise Refused(413, f"{told} bytes are too many for one request; at most {limit} are taken.")
        return limit

    def _longest_s(self, headers: dict[str, str], limit: int) -> float:
        """How long a body may take at the slowest rate; where it does not say how long it is, the longest."""
        return int(headers.get("content-length", limit)) / self._settings.bound_bytes("slowest_kb")

    async def _check_token(self, scope: Scope, headers: dict[str, str], receive: Receive) -> Receive:
        """Each change brings the session's token, in a header or in its form. Pairing has no session yet to protect;
        its code is the secret."""
        if scope["method"] in SAFE or (scope["path"] == "/pair" and self._settings.lan):
            return receive
        session, given = scope["state"]["session"], headers.get("x-csrf-token", "")
        if not given and headers.get("content-type", "").split(";")[0].strip().lower() == FORM:
            body = await _whole(receive)
            try:
                given = fields_of(body).get("csrf", [""])[0]
            except UsageError as wrong:
                raise Refused(400, f"{wrong}.") from None
            receive = _replayed(body)
        if not scope["state"]["paired"] or not self._pairing.csrf_fits(session, given):
            raise Refused(403, "The form is too old or did not come from this page: go back, reload, send it again.")
        return receive


def cookie_name(scope: Scope) -> str:
    """A cookie's name of its own for each port: browsers share cookies between ports."""
    return f"enginelog_{(scope.get('server') or ('', 0))[1]}"


def cookie_header(scope: Scope, token: str, age_s: int) -> str:
    """The Set-Cookie header of a session."""
    secure = "; Secure" if scope["scheme"] == "https" else ""
    return f"{cookie_name(scope)}={token}; Path=/; HttpOnly; SameSite=Strict; Max-Age={age_s}{secure}"


def _check_method(scope: Scope, headers: dict[str, str]) -> None:
    """A change must come from this very page; what another site embeds or fetches is not given out either."""
    if scope["method"] not in KNOWN:
        raise Refused(405, "This method is not used here.")
    site = headers.get("sec-fetch-site", "same-origin")
    own = f"{scope['scheme']}://{headers.get('host', '').lower()}"
    if scope["method"] in SAFE:
        moved_here = headers.get("sec-fetch-mode") == "navigate" and headers.get("sec-fetch-dest") == "document"
        if site not in ("same-origin", "none") and not moved_here:
            raise Refused(403, "Another site asked for this.")
        return
    if headers.get("origin", "").lower() != own or site != "same-origin":
        raise Refused(403, "A change has to come from this page itself, not from another site.")


def _with_headers(scope: Scope, given: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
    names = {name.lower() for name, _ in given}
    wanted = HEADERS | {"content-security-policy": POLICY}
    added = [(name.encode(), value.encode()) for name, value in wanted.items() if name.encode() not in names]
    state = scope.get("state", {})
    if state.get("set_cookie"):
        added.append((b"set-cookie", cookie_header(scope, state["session"], 604_800).encode()))
    return [*given, *added]


def _cookie(header: str, name: str) -> str:
    try:
        found = SimpleCookie(header).get(name)
    except CookieError:
        return ""
    return found.value if found else ""


class _Coming:
    """What comes in of one request, and whether that was all."""

    def __init__(self, receive: Receive) -> None:
        self._receive, self.whole = receive, False

    async def __call__(self) -> Message:
        message = await self._receive()
        self.whole = message["type"] != "http.request" or not message.get("more_body", False)
        return message

    async def let_go(self, most: float, wait_s: float) -> None:
        """Read on and drop what comes, up to `most` bytes and `wait_s` seconds: closing a connection with bytes unread
        resets it, and the browser may never see why it was refused."""
        try:
            async with asyncio.timeout(wait_s):
                while not self.whole and most > 0:
                    most -= len((await self()).get("body", b""))
        except TimeoutError:
            pass


def _bounded(coming: _Coming, limit: int, pause_s: float, whole_s: float) -> Receive:
    """Count what comes in: more than the limit, a pause too long, or more waiting in all, ends the request."""
    read, left_s = 0, whole_s

    async def bounded() -> Message:
        nonlocal read, left_s
        if coming.whole:
            return await coming()
        begun = time.monotonic()
        try:
            message = await asyncio.wait_for(coming(), max(min(pause_s, left_s), 0.001))
        except TimeoutError:
            why = "Nothing came for too long" if left_s > pause_s else "It came too slowly"
            raise Refused(408, f"{why}; send it again.") from None
        left_s -= time.monotonic() - begun  # only what is waited for counts, not what is done with it
        if message["type"] == "http.request":
            read += len(message.get("body", b""))
            if read > limit:
                raise Refused(413, f"More than {limit} bytes came in one request; it was cut off.")
        return message

    return bounded


async def _whole(receive: Receive) -> bytes:
    parts = []
    while True:
        message = await receive()
        if message["type"] != "http.request":
            raise Refused(400, "The connection ended before the form was whole.")
        parts.append(message.get("body", b""))
        if not message.get("more_body", False):
            return b"".join(parts)


def _replayed(body: bytes) -> Receive:
    given = False

    async def receive() -> Message:
        nonlocal given
        if given:
            return {"type": "http.disconnect"}
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return receive


async def _refuse(scope: Scope, asked: dict[str, str], send: Send, refused: Refused) -> None:
    """Answer with the line, as a page to who has a session and asked for one, or lead to another page (303)."""
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"connection", b"close")]
    body = refused.text.encode()
    if refused.status == 303:
        headers, body = [(b"location", refused.text.encode())], b""
    elif "session" in scope.get("state", {}) and "text/html" in asked.get("accept", ""):
        headers[0] = (b"content-type", b"text/html; charset=utf-8")
        body = bytes(problem_page(Request(scope), refused.status, refused.text).body)
    await send({"type": "http.response.start", "status": refused.status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
