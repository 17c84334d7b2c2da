"""The bench page: a small web server for the phone in the hand and the screen on the bench.

    serve(settings)        until Ctrl-C        make_app(settings) -> the application, for a server of one's own

A door: it parses requests, calls the library and renders; what it knows by itself is only how to be a careful server.
The web packages come with the extra `[bench]` and are imported late, so that the rest works without them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from enginelog.bench.settings import Settings
from enginelog.model import EnginelogError

if TYPE_CHECKING:
    from starlette.applications import Starlette

__all__ = ["Settings", "make_app", "serve"]
MISSING = "the bench page needs the packages of the extra [bench]: pip install 'enginelog[bench]' (missing: {name})"


def make_app(settings: Settings) -> Starlette:
    """The web application; EnginelogError with the install command where its packages are missing."""
    try:
        from enginelog.bench.app import make
    except ImportError as missing:
        raise EnginelogError(MISSING.format(name=missing.name)) from missing
    return make(settings)


def serve(settings: Settings, say: Any) -> None:
    """Serve until stopped. say: called with each line for the terminal (address, QR code, pairing code).

    Raises EnginelogError where packages are missing or the address is taken.
    """
    try:
        from enginelog.bench.serving import run
    except ImportError as missing:
        raise EnginelogError(MISSING.format(name=missing.name)) from missing
    run(settings, say)
