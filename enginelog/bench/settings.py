"""How one bench server is set up."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field
from pathlib import Path

from enginelog import limits
from enginelog.limits import LimitSet

CODE_DIGITS = 8
MB = 1_000_000


def new_code() -> str:
    """A pairing code: eight digits from the system's own chance."""
    return f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"


@dataclass(frozen=True)
class Settings:
    """host, port: where to listen (port 0: any free one). lan: open to the network, which then asks for `code`.

    store: file of the job record, None for the usual one. workers: analyses at once. device: microphone of this machine
    for the live view (None: the system's own); sound: a recording that stands in for it. certificate: a PEM file with
    certificate and key, to serve encrypted.
    names: host names besides the address itself under which the page may be asked for. bounds: topic bench_page.
    """

    store: Path | None = None
    host: str = "127.0.0.1"
    port: int = 8765
    lan: bool = False
    code: str = field(default_factory=new_code, repr=False)
    workers: int = 1
    device: str | None = None
    sound: Path | None = None
    certificate: Path | None = None
    names: tuple[str, ...] = ("localhost",)
    bounds: LimitSet = field(default_factory=lambda: limits.load("bench_page"), repr=False)

    def bound(self, name: str) -> float:
        return self.bounds.value(name)

    def bound_bytes(self, name: str) -> int:
        """A bound given in MB or kB, in bytes."""
        return int(self.bounds.value(name) * (MB if name.endswith("_mb") else 1000))
