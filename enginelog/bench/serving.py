"""Serving: the socket, the addresses to show, the QR code, and connections that are not held for ever."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable
from dataclasses import replace

import uvicorn

from enginelog.bench.app import make
from enginelog.bench.connections import LeavingServer, PatientProtocol
from enginelog.bench.settings import Settings
from enginelog.model import EnginelogError


def server_of(settings: Settings) -> uvicorn.Server:
    """A server for these settings, not started yet."""
    bounds = {"head_s": settings.bound("head_s")}
    if settings.lan:
        bounds |= {name: settings.bound(name) for name in ("most_unpaired_each", "most_unpaired")}
    patient = type("Patient", (PatientProtocol,), bounds)
    config = uvicorn.Config(
        make(settings),
        http=patient,
        ws="none",
        loop="asyncio",
        lifespan="on",
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_keep_alive=10,
        timeout_graceful_shutdown=3,
        limit_concurrency=int(settings.bound("most_connections")),
        h11_max_incomplete_event_size=32_768,
        backlog=256,
        ssl_certfile=settings.certificate,
    )
    return LeavingServer(config)


def bind(settings: Settings) -> socket.socket:
    """The socket to listen on; EnginelogError where the address is taken or not this machine's."""
    host = "0.0.0.0" if settings.lan and settings.host == "127.0.0.1" else settings.host
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    made = socket.socket(family, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((host, settings.port))
        made.listen(256)
    except OSError as failed:
        made.close()
        raise EnginelogError(
            f"cannot listen on {host} port {settings.port}: {failed.strerror or failed}; choose another with --port"
        ) from failed
    return made


def run(settings: Settings, say: Callable[[str], None]) -> None:
    """Serve until Ctrl-C. say: called with each line for the terminal."""
    if settings.lan:
        settings = replace(settings, names=(*settings.names, *own_names()))
    check_certificate(settings)
    with contextlib.closing(bind(settings)) as bound:
        port = bound.getsockname()[1]
        for line in announcement(settings, port):
            say(line)
        server = server_of(settings)
        try:
            server.run(sockets=[bound])
        finally:  # Ctrl-C comes out of it as an exception
            for path in server.config.app.state.rescued:  # type: ignore[union-attr]
                say(f"Recorded here and not attached; it is kept: {path}")


def check_certificate(settings: Settings) -> None:
    """EnginelogError where the certificate given cannot be used."""
    import ssl

    if settings.certificate is None:
        return
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(settings.certificate)
    except (OSError, ssl.SSLError) as failed:  # a missing file, or no certificate and key in it
        reason = failed.strerror or str(failed)
        raise EnginelogError(
            f"{settings.certificate}: no certificate with its key can be read from it ({reason}); a PEM file expected"
        ) from failed


def announcement(settings: Settings, port: int) -> list[str]:
    """What the terminal shows: addresses, pairing code, QR code, and what to keep in mind."""
    address = lan_address() if settings.lan else "127.0.0.1"
    url = f"http{'s' if settings.certificate else ''}://{address}:{port}/"
    lines = [f"The bench page is at {url}", ""]
    # The code stands behind the #, which a browser never sends anywhere: it stays out of logs and histories of servers.
    target = f"{url}pair#{settings.code}" if settings.lan else url
    lines += qr_lines(target)
    if settings.lan:
        code = f"{settings.code[:4]} {settings.code[4:]}"
        open_air = "What is sent is not\nencrypted: use it in a network of your own only."
        lines += [
            "",
            f"Pairing code: {code} (the QR code holds it too)",
            "Anyone in this network who has the code can read and change the job record.",
            "What is sent is encrypted." if settings.certificate else open_air,
        ]
    else:
        lines += ["", "Only this machine can open it; --lan lets the phone in."]
    return [*lines, "Stop with Ctrl-C."]


def qr_lines(text: str) -> list[str]:
    """The text as a QR code (ISO/IEC 18004), two rows a line, its light squares drawn: for light text on dark ground.

    On a light ground it comes out the other way round, which today's phones read as well.
    """
    import segno

    code = segno.make(text, error="m", micro=False)
    rows = [[not dark for dark in row] for row in code.matrix_iter(border=2)]
    rows += [[True] * len(rows[0])] if len(rows) % 2 else []
    blocks = {(True, True): "\u2588", (True, False): "\u2580", (False, True): "\u2584", (False, False): " "}
    pairs = zip(rows[::2], rows[1::2], strict=True)
    return ["".join(blocks[above, below] for above, below in zip(*pair, strict=True)) for pair in pairs]


def lan_address() -> str:
    """The address by which this machine is reached in its network: that of the way out (nothing is sent)."""
    with contextlib.closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address reserved for documentation (RFC 5737): no packet leaves
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def own_names() -> tuple[str, ...]:
    """The names by which this machine may be asked for in its network."""
    name = socket.gethostname().split(".")[0].lower()
    return (name, f"{name}.local") if name else ()
