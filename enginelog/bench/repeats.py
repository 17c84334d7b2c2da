"""A form that comes twice is done once: a second tap, or a form sent again because its answer got lost on the way.

Each form of a page bears a mark of its own (`once`). The same form with the same content, from the same session, gets
the answer that it got before. A form that was refused may be sent again as often as it takes.
"""

from __future__ import annotations

import asyncio
import hashlib
import re
import secrets
from collections import OrderedDict
from collections.abc import Awaitable, Callable

from starlette.responses import Response

MARK = re.compile(r"[A-Za-z0-9_-]{12}")
MOST_REMEMBERED = 2000
DONE = 303


def mark() -> str:
    """A form's mark."""
    return secrets.token_urlsafe(9)


def key_of(session: str, path: str, body: bytes) -> bytes:
    """What tells one form sent from another."""
    return hashlib.sha256(b"\0".join((session.encode(), path.encode(), body))).digest()


class Repeats:
    """The answers to the latest forms of one server; used on its loop alone."""

    def __init__(self) -> None:
        self._answers: OrderedDict[bytes, asyncio.Future[Response]] = OrderedDict()

    async def answer(self, key: bytes, act: Callable[[], Awaitable[Response]]) -> Response:
        """The answer to the form of this key: that of its first time where it was done already or is being done."""
        coming = self._answers.get(key)
        if coming is None:
            coming = self._answers[key] = asyncio.ensure_future(act())
            while len(self._answers) > MOST_REMEMBERED:
                self._answers.popitem(last=False)
        try:
            found = await asyncio.shield(coming)
        except BaseException:
            self._forget(key, coming)
            raise
        if found.status_code != DONE:
            self._forget(key, coming)
        return found

    def _forget(self, key: bytes, answer: asyncio.Future[Response]) -> None:
        if self._answers.get(key) is answer:
            del self._answers[key]
