"""Nobody holds the door: connections that say nothing or trickle, crowds of strangers; and the server's end is quiet.

Sources: HTTP/1.1 connections are kept open after an answer (RFC 9112, 9.3); the attack by heads and bodies that never
become whole is that of CAPEC-469. The bounds are the page's own.
"""

import contextlib
import http.client
import os
import re
import signal
import socket
import subprocess
import sys
import time
from urllib.parse import urlencode

import pytest
from serve import Browser, Server, bounds, new_job

from enginelog.bench.settings import Settings

CODE = "12345678"


def lan(store, **changed) -> Settings:
    return Settings(store=store, port=0, lan=True, host="127.0.0.1", code=CODE, bounds=bounds(**changed))


def connect(server) -> socket.socket:
    return socket.create_connection(("127.0.0.1", server.port), 10)


def fetched(server) -> socket.socket:
    """A connection of an unpaired device that has fetched one file and stays open."""
    made = connect(server)
    made.sendall(f"GET /static/icon.svg HTTP/1.1\r\nHost: {server.host}\r\n\r\n".encode())
    got = b""
    while b"</svg>" not in got:
        part = made.recv(65536)
        assert part, got
        got += part
    assert b" 200 " in got
    return made


def closed(held: socket.socket, most_s: float = 0.0) -> bool:
    """Whether the server has closed it, waiting for that as long."""
    held.settimeout(max(most_s, 0.01))
    try:
        return held.recv(10) == b""
    except TimeoutError:
        return False
    except OSError:
        return True


def test_a_second_request_that_never_becomes_whole_is_not_waited_for(store):
    with Server(lan(store, head_s=1.5)) as server, contextlib.closing(fetched(server)) as held:
        begun = time.monotonic()
        while time.monotonic() - begun < 8:
            try:
                held.sendall(b"G")
            except OSError:
                break
            if closed(held, 0.3):
                break
        assert 1.0 < time.monotonic() - begun < 6


def test_a_connection_may_go_on_asking(store):
    """The clock begins anew with each request, and stops while it is answered."""
    with Server(lan(store, head_s=1.5)) as server:
        kept = http.client.HTTPConnection("127.0.0.1", server.port, timeout=10)
        for _ in range(6):
            kept.request("GET", "/static/icon.svg", headers={"Host": server.host})
            answer = kept.getresponse()
            assert answer.status == 200 and answer.read()
            ours = kept.sock
            time.sleep(0.6)
        assert kept.sock is ours  # one connection all the time, longer than head_s
        kept.close()


def test_a_body_after_its_answer_is_not_waited_for(store):
    """An answer may come before the body it does not need; what trickles in then holds nothing."""
    with Server(lan(store, head_s=1.5)) as server, contextlib.closing(connect(server)) as held:
        held.sendall(f"GET /static/icon.svg HTTP/1.1\r\nHost: {server.host}\r\nContent-Length: 9000\r\n\r\n".encode())
        begun = time.monotonic()
        held.settimeout(0.3)
        while time.monotonic() - begun < 8:
            try:
                held.sendall(b"x")
                if held.recv(65536) == b"":
                    break
            except TimeoutError:
                continue
            except OSError:
                break
        assert time.monotonic() - begun < 6


def test_a_body_that_trickles_is_given_up(store):
    """Each byte comes before the longest pause; the whole is bounded by the slowest rate."""
    with Server(lan(store, body_pause_s=1.0, slowest_kb=100)) as server, contextlib.closing(connect(server)) as held:
        head = f"POST /pair HTTP/1.1\r\nHost: {server.host}\r\nOrigin: {server.url}\r\nContent-Length: 100000\r\n"
        held.sendall(f"{head}Content-Type: application/x-www-form-urlencoded\r\n\r\n".encode())
        begun, got = time.monotonic(), b""
        held.settimeout(0.3)
        while time.monotonic() - begun < 10 and b"too slowly" not in got:
            with contextlib.suppress(TimeoutError):
                if not got:  # the head of the answer may come by itself, before its body
                    held.sendall(b"x")
                got += held.recv(65536)
        assert b" 408 " in got and b"too slowly" in got
        assert 1.5 < time.monotonic() - begun < 6  # a pause, and a second at the slowest rate


def test_of_a_piece_that_comes_too_slowly_what_came_is_kept(store, clip_bytes):
    """The phone goes on from there: a poor network takes longer, and gets there."""
    with Server(Settings(store=store, port=0, bounds=bounds(body_pause_s=0.5, slowest_kb=100))) as server:
        browser = Browser(server)
        browser.get("/")
        take = browser.announced(new_job(store), len(clip_bytes))
        head = browser.head("PUT", f"/takes/{take}?offset=0", "Content-Length: 100000")
        with contextlib.closing(connect(server)) as slow:
            slow.sendall(head)
            sent, got = 0, b""
            slow.settimeout(0.2)
            while sent < 60_000 and b"408" not in got:
                slow.sendall(clip_bytes[sent : sent + 2000])
                sent += 2000
                with contextlib.suppress(TimeoutError):
                    got += slow.recv(65536)
        assert b" 408 " in got
        state = browser.ask("GET", f"/takes/{take}/state").json
        assert state["received"] >= 10_000 and state["received"] % 2000 == 0
        rest = browser.ask("PUT", f"/takes/{take}?offset={state['received']}", clip_bytes[state["received"] :],
                           X_Csrf_Token=browser.csrf)  # fmt: skip
        assert rest.status == 200 and server.desk.takes.get(take).path.read_bytes() == clip_bytes


@pytest.mark.parametrize("bound", ["most_unpaired_each", "most_unpaired"])
def test_a_crowd_of_strangers_shuts_nobody_out(store, bound):
    new_job(store)
    with Server(lan(store, **{bound: 5})) as server, contextlib.ExitStack() as crowd:
        paired = Browser(server)
        paired.cookie = paired.post("/pair", {"code": CODE}, token=False).headers["set-cookie"].split(";")[0]
        phone = http.client.HTTPConnection("127.0.0.1", server.port, timeout=10)
        headers = {"Host": server.host, "Cookie": paired.cookie, "Accept": "text/html"}
        phone.request("GET", "/", headers=headers)
        assert phone.getresponse().read()
        ours = phone.sock
        held = [crowd.enter_context(contextlib.closing(fetched(server))) for _ in range(20)]
        assert [closed(each) for each in held].count(False) <= 5
        assert Browser(server).ask("GET", "/pair").status == 200  # who comes to pair is heard
        assert paired.get("/").status == 200
        phone.request("GET", "/", headers=headers)  # and who is paired has lost no connection
        assert phone.getresponse().status == 200 and phone.sock is ours
        phone.close()


def test_on_this_machine_alone_there_are_no_strangers(store):
    with Server(Settings(store=store, port=0, bounds=bounds(most_unpaired_each=3))) as server:
        held = [fetched(server) for _ in range(10)]
        assert not any(map(closed, held))
        for each in held:
            each.close()


def test_a_phone_that_breaks_off_is_no_fault_of_the_program(store, server, browser, caplog):
    """A photo, or an announcement, whose sender goes out of reach: nothing is printed."""
    job = new_job(store)
    for method, path in (("PUT", f"/jobs/{job}/photos/spark"), ("POST", "/takes")):
        head = browser.head(method, path, "Content-Length: 1000")
        with contextlib.closing(connect(server)) as gone:
            gone.sendall(head + b"x" * 100)
            time.sleep(0.2)
    time.sleep(0.3)
    assert not [record for record in caplog.records if record.exc_info]


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C as a signal is that of POSIX systems")
@pytest.mark.parametrize("what", ["piece", "form", "download"])
def test_it_ends_quietly_while_a_phone_sends_or_fetches(store, tmp_path, what):
    with contextlib.closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    new_job(store)
    command = [sys.executable, "-m", "enginelog", "bench", "--store", str(store), "--port", str(port)]
    with (tmp_path / "said").open("w+") as said:
        running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=said, cwd=tmp_path)
        try:
            _under_way(port, what, running)
        finally:
            running.kill()
            running.wait(20)
        said.seek(0)
        assert re.fullmatch(r"enginelog: stopped;[^\n]*\n", said.read())


def _under_way(port: int, what: str, running: subprocess.Popen) -> None:
    until = time.monotonic() + 30
    while True:
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", port)).close()
            break
        assert time.monotonic() < until and running.poll() is None
        time.sleep(0.1)
    host, origin = f"127.0.0.1:{port}", f"http://127.0.0.1:{port}"
    asking = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    asking.request("GET", "/")
    first = asking.getresponse()
    cookie, token = (
        first.getheader("set-cookie").split(";")[0],
        re.search(r'csrf" content="(\w+)', str(first.read()))[1],
    )
    usual = {"Cookie": cookie, "Origin": origin, "X-Csrf-Token": token}
    form = usual | {"Content-Type": "application/x-www-form-urlencoded"}
    size = 40_000_000 if what == "download" else 5_000_000
    asking.request("POST", "/takes", urlencode({"job": 1, "name": "x.wav", "size": size, "stage": "before"}), form)
    take = re.search(rb'"id":"([\w-]+)"', asking.getresponse().read())[1].decode()
    if what == "download":
        for at in range(0, size, 8_000_000):
            asking.request("PUT", f"/takes/{take}?offset={at}", os.urandom(8_000_000), usual)
            assert asking.getresponse().read()
    asked = {"piece": f"PUT /takes/{take}?offset=0", "form": "POST /jobs/1/notes"}.get(
        what, f"GET /takes/{take}/recording"
    )
    lines = [f"{asked} HTTP/1.1", f"Host: {host}", *(f"{name}: {value}" for name, value in form.items())]
    lines += [] if what == "download" else ["Content-Length: 100000"]
    with contextlib.closing(socket.create_connection(("127.0.0.1", port))) as phone:
        phone.sendall("\r\n".join([*lines, "", ""]).encode() + b"x" * (0 if what == "download" else 60_000))
        time.sleep(0.7)
        begun = time.monotonic()
        running.send_signal(signal.SIGINT)
        running.wait(20)
        assert time.monotonic() - begun < 12
