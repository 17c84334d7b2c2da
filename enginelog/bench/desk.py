"""What the handlers of one server share, and the small helpers of request and answer."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qs, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from enginelog.bench.again import Reruns
from enginelog.bench.hearing import LiveDesk
from enginelog.bench.pairing import Pairing
from enginelog.bench.photos import Photos
from enginelog.bench.repeats import DONE, MARK, Repeats, key_of
from enginelog.bench.settings import Settings
from enginelog.bench.takes import Takes
from enginelog.bench.workshop import Workshop
from enginelog.model import UsageError
from enginelog.store import Store, open_store

Handler = Callable[[Request], Awaitable[Response]]
MOST_FIELDS = 200  # the largest form of a page has some twenty


@dataclass
class Opened:
    """record: the identity of the job record as it was last opened; another may have been restored in its place."""

    record: str = ""


@dataclass(frozen=True)
class Desk:
    """One server's settings, sessions, takes, queue, live view, photos, forms done lately, what is heard again."""

    settings: Settings
    pairing: Pairing
    takes: Takes
    workshop: Workshop
    live: LiveDesk
    photos: Photos
    repeats: Repeats
    reruns: Reruns
    opened: Opened = field(default_factory=Opened)

    def store(self) -> Store:
        """The job record, opened for one request (a store is not shared between threads)."""
        store = open_store(self.settings.store)
        try:
            self.opened.record = store.identity()
        except BaseException:
            store.close()
            raise
        return store


class Form:
    """The fields of a form; a field that is missing is empty."""

    def __init__(self, fields: dict[str, list[str]]) -> None:
        self._fields = fields

    def text(self, name: str) -> str:
        """The field with line ends as they are kept, without spaces at its ends."""
        return self._fields.get(name, [""])[0].replace("\r\n", "\n").strip()

    def told(self, name: str) -> str | None:
        """The same; None where the form has no such field."""
        return self.text(name) if name in self._fields else None

    def texts(self, name: str) -> tuple[str, ...]:
        return tuple(self._fields.get(name, []))

    def whole(self, name: str) -> int:
        """A whole number from 0 on; UsageError else."""
        given = self.text(name)
        if not (given.isascii() and given.isdigit() and len(given) < 16):
            raise UsageError(f"{name}: '{given}' given, a whole number expected")
        return int(given)


def fields_of(body: bytes) -> dict[str, list[str]]:
    """The fields of a form as it was sent; UsageError where there are more than any page has."""
    try:
        return parse_qs(body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=MOST_FIELDS)
    except ValueError:
        raise UsageError(f"a form of more than {MOST_FIELDS} fields was sent; at most so many are read") from None


def desk(request: Request) -> Desk:
    """The desk of the server that got this request."""
    found: Desk = request.app.state.desk
    return found


def number(request: Request, name: str = "number") -> int:
    """The number of a row from the path."""
    return int(request.path_params[name])


def change(act: Callable[[Request, Form], Response], draws: bool = False) -> Handler:
    """A handler of a form: read it, then act in a thread. (Token and size were checked at the door.)

    draws: it draws pictures, so that it waits for its turn as in `drawn`.
    """

    async def handler(request: Request) -> Response:
        body = await request.body()
        form = Form(fields_of(body))

        async def work() -> Response:
            async with request.app.state.drawing if draws else contextlib.nullcontext():
                return _marked(request, form, await run_in_threadpool(act, request, form))

        if not MARK.fullmatch(form.text("once")):
            return await work()
        session = request.scope.get("state", {}).get("session", "")
        return await desk(request).repeats.answer(key_of(session, request.url.path, body), work)

    return handler


def _marked(request: Request, form: Form, answer: Response) -> Response:
    """The answer to a form that was done, with its mark: the page then no longer keeps what was typed."""
    once, port = form.text("once"), (request.scope.get("server") or ("", 0))[1]
    if answer.status_code == DONE and MARK.fullmatch(once):
        answer.headers.append("set-cookie", f"enginelog_done_{port}={once}; Path=/; SameSite=Strict; Max-Age=600")
    return answer


def drawn(act: Callable[[Request], Response]) -> Handler:
    """A handler that draws pictures: one at a time, so that however many are asked for, threads are left for pages."""

    async def handler(request: Request) -> Response:
        async with request.app.state.drawing:
            return await run_in_threadpool(act, request)

    return handler


def go(path: str) -> Response:
    """Lead the browser to another page after a change."""
    return RedirectResponse(path, status_code=303)


def wants_page(request: Request) -> bool:
    """Whether a browser asked for a page (and not a script of ours for data)."""
    return "text/html" in request.headers.get("accept", "")


def context(request: Request) -> dict[str, Any]:
    """What every template is given."""
    state = request.scope.get("state", {})
    here = desk(request)
    inside = state.get("paired") or not here.settings.lan
    return {
        "csrf": state.get("csrf", ""),
        "path": request.url.path,
        "lan": here.settings.lan,
        "record_id": here.opened.record if inside else "",
    }


def came_from(request: Request) -> str:
    """The page of this server that a form came from, as a path; empty where it is not known."""
    told = urlsplit(request.headers.get("referer", ""))
    own = told.netloc.lower() == request.headers.get("host", "").lower()
    path = told.path + (f"?{told.query}" if told.query else "")
    plain = re.match(r"/(?![/\\\\])", path)
    return path if own and plain and request.method != "GET" else ""
