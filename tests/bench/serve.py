"""A bench server of its own for tests, and a plain client that behaves as a browser does (Origin, cookie, token)."""

from __future__ import annotations

import hashlib
import http.client
import json
import re
import secrets
import threading
import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from urllib.parse import urlencode

import uvicorn

from enginelog.bench.serving import bind, server_of
from enginelog.bench.settings import Settings
from enginelog.limits import Limit, LimitSet, load
from enginelog.model import Run


def bounds(**changed: float) -> LimitSet:
    """The page's own bounds with some of them changed."""
    known = load("bench_page")
    return LimitSet(
        {
            name: Limit(name, changed.get(name, limit.value), limit.unit, "", "chosen", "")
            for name, limit in known.items()
        }
    )


class Server:
    """A running bench server. Use as a context manager."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self._socket = bind(settings)
        self.port = self._socket.getsockname()[1]
        self._server: uvicorn.Server = server_of(settings)
        self.app = self._server.config.app
        self.desk = self.app.state.desk
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [self._socket]}, daemon=True)

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.port}"

    @property
    def url(self) -> str:
        return f"http://{self.host}"

    def __enter__(self) -> Server:
        self._thread.start()
        until = time.monotonic() + 20
        while not self._server.started and time.monotonic() < until:
            time.sleep(0.02)
        assert self._server.started
        return self

    def __exit__(self, *error: object) -> None:
        self._server.should_exit = True
        self._thread.join(15)
        self._socket.close()


@dataclass(frozen=True)
class Answer:
    """What came back. headers: names in small letters, the last of each."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode("utf-8")

    @property
    def json(self) -> dict:
        return json.loads(self.body)


@dataclass
class Browser:
    """Asks as a browser does from the page itself. cookie, csrf: those of its session, found on the first page."""

    server: Server
    cookie: str = ""
    csrf: str = ""
    headers: dict[str, str] = field(default_factory=dict)

    def ask(self, method: str, path: str, body: bytes | None = None, **headers: str) -> Answer:
        """One request, headers given as name_with_underscores; None leaves a usual one out."""
        connection = http.client.HTTPConnection("127.0.0.1", self.server.port, timeout=30)
        usual = {"Host": self.server.host, "Accept": "text/html"} | ({"Cookie": self.cookie} if self.cookie else {})
        if method not in ("GET", "HEAD"):
            usual["Origin"] = self.server.url
        given = usual | self.headers | {name.replace("_", "-"): value for name, value in headers.items()}
        try:
            connection.request(method, path, body, {name: value for name, value in given.items() if value is not None})
            got = connection.getresponse()
            return Answer(got.status, {name.lower(): value for name, value in got.getheaders()}, got.read())
        finally:
            connection.close()

    def get(self, path: str, **headers: str) -> Answer:
        found = self.ask("GET", path, **headers)
        if "set-cookie" in found.headers:
            self.cookie = found.headers["set-cookie"].split(";")[0]
        token = re.search(r'<meta name="csrf" content="([0-9a-f]+)"', found.body.decode("utf-8", "replace"))
        self.csrf = token[1] if token else self.csrf
        return found

    def post(self, path: str, fields: dict | None = None, token: bool = True, **headers: str) -> Answer:
        """A form; its fields may hold lists."""
        told = dict(fields or {}) | ({"csrf": self.csrf} if token else {})
        kind = {"Content-Type": "application/x-www-form-urlencoded"}
        return self.ask("POST", path, urlencode(told, doseq=True).encode(), **(kind | headers))

    def announced(self, job: int, size: int, name: str = "clip.m4a", stage: str = "after") -> str:
        """Announce a recording; its id."""
        return self.post("/takes", {"job": job, "name": name, "size": size, "stage": stage}).json["id"]

    def head(self, method: str, path: str, length: str) -> bytes:
        """The head of a request of this page, for a connection on which its body comes otherwise than whole. length:
        the header that says how long that is."""
        return (
            f"{method} {path} HTTP/1.1\r\nHost: {self.server.host}\r\nOrigin: {self.server.url}\r\n"
            f"Cookie: {self.cookie}\r\nX-Csrf-Token: {self.csrf}\r\n{length}\r\n\r\n"
        ).encode()

    def send(self, job: int, data: bytes, name: str = "clip.m4a", piece: int = 1 << 20, **more: object) -> str:
        """Announce a recording and send it in pieces; its id."""
        told = self.post("/takes", {"job": job, "name": name, "size": len(data), "stage": "before"} | more)
        assert told.status == 201, told.text
        take = told.json["id"]
        for at in range(0, len(data), piece):
            part = data[at : at + piece]
            got = self.ask("PUT", f"/takes/{take}?offset={at}", part, X_Csrf_Token=self.csrf)
            assert got.status == 200, got.text
        return take

    def wait(self, take: str, most_s: float = 90) -> dict:
        """The state of a take once it is done or failed."""
        until = time.monotonic() + most_s
        while time.monotonic() < until:
            told = self.ask("GET", f"/takes/{take}/state").json
            if told["state"] in ("done", "failed"):
                return told
            time.sleep(0.1)
        raise AssertionError(f"take not analysed within {most_s} s: {told}")


def new_job(store: Path, label: str = "tiller Marigold", **told: object) -> int:
    """A job in a store."""
    from enginelog.store import open_store

    with open_store(store) as opened:
        machine = opened.remember(label, **({"kind": "tiller", "rated_rpm": 3350.0} | told))
        return opened.take_in(machine, "stutters, worse under load").id


def with_answer(
    server: Server, job: int, run: Run, name: str = "clip.m4a", stage: str = "before", sound: bytes | None = None
) -> str:
    """A take whose answer is there already, without any analysis; its id. sound: its bytes, else its own each time."""
    sound = secrets.token_bytes(5) if sound is None else sound
    takes = server.desk.takes
    queue, takes.whole = takes.whole, lambda take: None
    take = takes.begin(job, name, len(sound), stage, (), "")
    takes.open_piece(take.id, 0)
    takes.add(take, sound)
    takes.close_piece(take)
    takes.whole = queue
    same = replace(run.clip, sha256=hashlib.sha256(sound).hexdigest())
    take.run, take.state, take.share = replace(run, clip=same), "done", 1.0
    return take.id
