"""Many phones at once: whether any recording is lost, how fast the page answers meanwhile, how much memory it takes.

    python3 scripts/bench_load.py --phones 20 --seconds 60

Starts a bench server of its own with a job record that is thrown away, sends a made-up recording from each phone at the
same time, and asks for a page again and again until all are analysed. Works where /proc is (Linux).
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import json
import os
import re
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from urllib.parse import urlencode

import numpy as np

PIECE = 1 << 20
COMMAND = [sys.executable, "-c", "import sys; from enginelog.cli import main; sys.exit(main())"]


class Phone:
    """One phone: a session of its own, and what it asks."""

    def __init__(self, port: int) -> None:
        self.host, self.port = f"127.0.0.1:{port}", port
        found = self.ask("GET", "/", accept="text/html")
        self.cookie = found[1]["set-cookie"].split(";")[0]
        self.token = re.search(rb'name="csrf" content="([0-9a-f]+)"', self.ask("GET", "/", accept="text/html")[2])[1]

    cookie, token = "", b""

    def ask(self, method: str, path: str, body: bytes | None = None, accept: str = "*/*") -> tuple:
        """(status, headers, body) of one request."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        headers = {"Host": self.host, "Accept": accept, "Cookie": self.cookie, "X-Csrf-Token": self.token.decode()}
        if method != "GET":
            headers |= {"Origin": f"http://{self.host}", "Content-Type": "application/x-www-form-urlencoded"}
        try:
            connection.request(method, path, body, headers)
            got = connection.getresponse()
            return got.status, {name.lower(): value for name, value in got.getheaders()}, got.read()
        finally:
            connection.close()

    def send(self, job: int, data: bytes, name: str) -> str:
        """Announce and send a recording; its id."""
        told = urlencode({"job": job, "name": name, "size": len(data), "stage": "before"}).encode()
        take = json.loads(self.ask("POST", "/takes", told)[2])["id"]
        for at in range(0, len(data), PIECE):
            status, _, said = self.ask("PUT", f"/takes/{take}?offset={at}", data[at : at + PIECE])
            assert status == 200, said
        return take

    def state(self, take: str) -> str:
        return json.loads(self.ask("GET", f"/takes/{take}/state")[2])["state"]


def recording(folder: Path, seconds: float) -> bytes:
    """A made-up recording as a phone makes it."""
    from enginelog import media, synthesis

    scenario = synthesis.random_scenario(7, kind="tiller", behaviours="misfire", seconds=seconds)
    clip, _ = synthesis.make(scenario)
    media.write(folder / "clip.m4a", clip)
    return (folder / "clip.m4a").read_bytes()


def memory_mb(pid: int) -> float:
    """Resident memory of a process and its children."""
    total = 0.0
    for one in (pid, *map(int, Path(f"/proc/{pid}/task/{pid}/children").read_text().split())):
        with contextlib.suppress(OSError):
            found = re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{one}/status").read_text())
            total += int(found[1]) / 1000 if found else 0
    return total


def measure(port: int, pid: int, data: bytes, phones: int) -> dict[str, float]:
    """Send from all phones at once; times of the page in milliseconds, and the highest memory."""
    takes: dict[int, str] = {}
    people = [Phone(port) for _ in range(phones)]
    begun = time.monotonic()
    going = [
        threading.Thread(target=lambda n=n: takes.update({n: people[n].send(1, data, f"{n}.m4a")}))
        for n in range(phones)
    ]
    for each in going:
        each.start()
    watcher, took, most, states = Phone(port), [], 0.0, [""]
    while any(each.is_alive() for each in going) or any(state not in ("done", "failed") for state in states):
        at = time.monotonic()
        assert watcher.ask("GET", "/jobs/1", accept="text/html")[0] == 200
        took.append(1000 * (time.monotonic() - at))
        most = max(most, memory_mb(pid))
        states = [watcher.state(take) for take in list(takes.values())] or [""]
        time.sleep(0.25)
    done = sum(state == "done" for state in states)
    return {
        "phones": phones, "analysed": done, "lost": phones - done, "seconds": time.monotonic() - begun,
        "page_median_ms": float(np.median(took)), "page_95_ms": float(np.percentile(took, 95)),
        "page_slowest_ms": max(took), "most_memory_mb": most,
    }  # fmt: skip


def main() -> None:
    """Measure and print a line each."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--phones", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=60.0)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        data, store = recording(folder, wanted.seconds), ["--store", str(folder / "shed.enginelog")]
        subprocess.run([*COMMAND, "take-in", "tiller Marigold", *store], check=True, stdout=subprocess.DEVNULL)
        with contextlib.closing(socket.socket()) as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        environment = os.environ | {"PYTHONIOENCODING": "utf-8"}
        command = [*COMMAND, "bench", "--port", str(port), *store]
        server = subprocess.Popen(command, stdout=subprocess.PIPE, env=environment)
        try:
            server.stdout.readline()
            time.sleep(1.5)
            for what, value in measure(port, server.pid, data, wanted.phones).items():
                print(f"{what:16} {value:.0f}")
        finally:
            server.terminate()
            server.wait()


if __name__ == "__main__":
    main()
