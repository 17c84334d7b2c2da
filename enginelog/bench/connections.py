"""Connections: none is held for ever, no stranger shuts the others out, and the server's end is a quiet one."""

from __future__ import annotations

import asyncio
import logging
import socket
from collections import Counter
from itertools import count
from math import inf
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol


class PatientProtocol(H11Protocol):
    """One connection. It is closed where no whole request head comes in time, be it the first or a later one.

    most_unpaired_each, most_unpaired: connections that have not shown a paired session, of one address and of all
    together; where there are more, the oldest is closed, so that who comes now is always heard.
    """

    head_s = 15.0
    most_unpaired_each = inf
    most_unpaired = inf
    _head_timer: asyncio.TimerHandle | None = None
    _numbers = count()

    def connection_made(self, transport: Any) -> None:
        """Start the clock of a new connection, and make room for it."""
        super().connection_made(transport)
        self.number = next(self._numbers)
        self._start_clock()
        self._make_room()

    def data_received(self, data: bytes) -> None:
        """Start the clock anew with the first byte after an answer: from then on nothing else would close it."""
        super().data_received(data)
        if self._asks_nothing() and self._head_timer is None:
            self._start_clock()

    def handle_events(self) -> None:
        """Stop the clock once a request has begun."""
        super().handle_events()
        if not self._asks_nothing():
            self._stop_clock()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop the clock of a connection that has ended."""
        self._stop_clock()
        super().connection_lost(exc)

    def shutdown(self) -> None:
        """The server ends: what is still coming in is not waited for. Who sends it has it still, and sends it again."""
        super().shutdown()
        if not self._asks_nothing() and self.cycle.more_body:
            self.transport.abort()

    @property
    def address(self) -> str:
        return self.client[0] if self.client else ""

    @property
    def paired(self) -> bool:
        """Whether its latest request came in a paired session, as the doorkeeper found."""
        return bool(self.scope and self.scope["state"].get("paired"))

    def _asks_nothing(self) -> bool:
        return self.cycle is None or self.cycle.response_complete

    def _start_clock(self) -> None:
        self._head_timer = self.loop.call_later(self.head_s, self._give_up)

    def _stop_clock(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None

    def _give_up(self) -> None:
        if self._asks_nothing():
            self.transport.abort()

    def _make_room(self) -> None:
        if self.most_unpaired == inf:
            return
        open_ones: list[Any] = [each for each in self.connections if not each.transport.is_closing()]
        unpaired = [each for each in open_ones if not each.paired]
        crowds = Counter(each.address for each in unpaired)
        crowd = self.address
        if crowds[crowd] <= self.most_unpaired_each:
            if len(unpaired) <= self.most_unpaired:
                return
            crowd = crowds.most_common(1)[0][0]
        min((each for each in unpaired if each.address == crowd), key=lambda each: each.number).transport.abort()


class LeavingServer(uvicorn.Server):
    """Tells who watches the live view that the server ends: it waits for open answers, and that one ends by itself
    only with the recording."""

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End the live view first, and say nothing of answers that are cut short."""
        self.config.app.state.desk.live.leave()  # type: ignore[union-attr]
        logging.getLogger("uvicorn.error").addFilter(_is_news)
        await super().shutdown(sockets)


def _is_news(record: logging.LogRecord) -> bool:
    """Whether a line belongs on the terminal: not that an answer was cut short because the server ends."""
    error = record.exc_info[1] if isinstance(record.exc_info, tuple) else None
    return not isinstance(error, asyncio.CancelledError) and not str(record.msg).startswith("Cancel %s running")
