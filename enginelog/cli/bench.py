"""`enginelog bench`: the page for the phone in the hand and the screen on the bench."""

from __future__ import annotations

import os
from pathlib import Path

import click

from enginelog import bench as bench_page
from enginelog.cli import console
from enginelog.cli.engine_options import Number


@click.command()
@click.option("--lan", is_flag=True, help="Let other devices of the network in; each needs the pairing code shown.")
@click.option(
    "--port", type=Number(0, 65_535, whole=True), default=8765, metavar="N", help="Where to listen; 8765, 0 any free."
)
@click.option("--device", metavar="NAME", help="Microphone of this machine for the live view; see 'listen --devices'.")
@click.option(
    "--certificate",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Serve encrypted, with certificate and key of this PEM file; phones then can record in the page itself.",
)
@click.option(
    "--store",
    "place",
    type=click.Path(path_type=Path),
    metavar="PATH",
    help="The file of the job record; else ENGINELOG_STORE, else one in the user's data folder.",
)
def bench(lan: bool, port: int, device: str | None, certificate: Path | None, place: Path | None) -> int:
    """Serve the bench page until Ctrl-C, and show its address with a QR code.

    Only this machine can open it, unless --lan lets the network in. Without --certificate what is sent is not
    encrypted: use --lan in a network of your own only.
    """
    from enginelog import store

    with store.open_store(place):  # says at once where the job record cannot be opened
        pass
    workers = max(1, (os.cpu_count() or 2) - 1)
    settings = bench_page.Settings(
        store=place, lan=lan, port=port, device=device, certificate=certificate, workers=workers
    )
    bench_page.serve(settings, console.show)
    return 0
