"""Who may come in: the pairing code, the sessions that follow from it, and the token each change has to bring."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import time
from collections.abc import Callable
from threading import Lock

from enginelog.bench.settings import Settings

_TOKEN = re.compile(r"[A-Za-z0-9_-]{43}")
MOST_REMEMBERED = 1000


class Pairing:
    """Sessions of one server. `clock` gives seconds that only go forward."""

    def __init__(self, settings: Settings, clock: Callable[[], float] = time.monotonic) -> None:
        self._settings, self._clock = settings, clock
        self._key = secrets.token_bytes(32)
        self._paired: dict[str, float] = {}
        self._wrong: dict[str, tuple[int, float]] = {}
        self._wrong_in_all = (0, 0.0)
        self._lock = Lock()

    def known(self, token: str) -> bool:
        """Whether this session may come in: any well-formed one on this machine alone, a paired one in the network."""
        if not _TOKEN.fullmatch(token):
            return False
        if not self._settings.lan:
            return True
        with self._lock:
            return self._paired.get(token, 0.0) > self._clock()

    def new(self) -> str:
        """A session's token, not paired."""
        return secrets.token_urlsafe(32)

    def csrf(self, token: str) -> str:
        """What each change of this session has to bring along; other sites cannot know it."""
        return hmac.new(self._key, token.encode(), hashlib.sha256).hexdigest()

    def csrf_fits(self, token: str, given: str) -> bool:
        return hmac.compare_digest(self.csrf(token).encode(), given.encode("utf-8", "replace"))

    def wait_s(self, address: str) -> float:
        """Seconds this address has to wait before its next try; 0 where it may try now."""
        with self._lock:
            until = max(self._until(self._wrong.get(address, (0, 0.0))), self._until_in_all())
        return max(0.0, until - self._clock())

    def pair(self, address: str, code: str) -> str | None:
        """A new paired session where the code is right; None where it is wrong, which is then counted."""
        digits = re.sub(r"\s", "", code).encode("utf-8", "replace")
        right = hmac.compare_digest(digits, self._settings.code.encode())
        with self._lock:
            if not right:
                self._count(address)
                return None
            self._wrong.pop(address, None)
            token = self.new()
            now = self._clock()
            self._paired = {each: until for each, until in self._paired.items() if until > now}
            self._paired[token] = now + self._settings.bound("paired_s")
            return token

    def _count(self, address: str) -> None:
        now = self._clock()
        if len(self._wrong) >= MOST_REMEMBERED:
            self._wrong.pop(min(self._wrong, key=lambda each: self._wrong[each][1]))
        self._wrong[address] = (self._wrong.get(address, (0, 0.0))[0] + 1, now)
        self._wrong_in_all = (self._wrong_in_all[0] + 1, now)

    def _until(self, wrong: tuple[int, float]) -> float:
        count, last = wrong
        over = count - int(self._settings.bound("free_tries"))
        return 0.0 if over < 0 else last + min(2.0 * 2.0 ** min(over, 30), self._settings.bound("longest_wait_s"))

    def _until_in_all(self) -> float:
        count, last = self._wrong_in_all
        return last + self._settings.bound("wait_in_all_s") if count >= self._settings.bound("tries_in_all") else 0.0
