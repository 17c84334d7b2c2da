"""The door: what a hostile page, a foreign name, a path, a script, a flood or a guesser gets.

Sources: the same-origin rules are those of the Fetch and HTML standards (Origin, Sec-Fetch-*: W3C Fetch Metadata;
cookies: RFC 6265bis; status 421: RFC 9110, 15.5.20); the attacks are the ones those texts warn of.
"""

import contextlib
import http.client
import re
import socket
import time

import pytest
from serve import Browser, Server, bounds, new_job

from enginelog.bench.app import ROUTES
from enginelog.bench.pairing import Pairing
from enginelog.bench.settings import Settings, new_code
from enginelog.store import open_store

CODE = "12345678"


# ---------------------------------------------------------------- another tab, another name


def test_a_hostile_page_in_another_tab_changes_nothing(store, server, browser):
    job = new_job(store)
    told = {"note": "evil"}
    for headers in (
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Origin": None},
        {"Origin": f"http://127.0.0.1:{server.port + 1}"},  # another port is another origin (RFC 6454, 4)
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
    ):
        assert browser.post(f"/jobs/{job}/notes", told, **headers).status == 403, headers
    with open_store(store) as opened:
        assert opened.job(job).note == ""
    assert browser.post(f"/jobs/{job}/notes", told).status == 303  # the page itself may


def test_a_hostile_page_reads_nothing_either(store, server, browser):
    job = new_job(store)
    for where in ("/", f"/jobs/{job}", "/live/events", "/static/bench.css"):
        assert browser.ask("GET", where, Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="no-cors").status == 403
    framed = {"Sec_Fetch_Site": "cross-site", "Sec_Fetch_Mode": "navigate", "Sec_Fetch_Dest": "iframe"}
    assert browser.ask("GET", "/", **framed).status == 403
    link = {"Sec_Fetch_Site": "cross-site", "Sec_Fetch_Mode": "navigate", "Sec_Fetch_Dest": "document"}
    assert browser.ask("GET", "/", **link).status == 200  # a link to the page is no attack
    assert "access-control-allow-origin" not in browser.get("/").headers


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:{port}", "127.0.0.1", "localhost.evil:{port}", "", "[::1]:{port}"]
)
def test_a_foreign_host_name_is_refused(server, browser, host):
    """DNS rebinding: a name of the attacker's that has come to point at this machine."""
    told = browser.ask("GET", "/", Host=host.format(port=server.port))
    assert told.status == 421 or (host == "" and told.status == 400)
    assert "Jobs" not in told.text


def test_this_machine_may_be_called_localhost(server, browser):
    assert browser.ask("GET", "/", Host=f"localhost:{server.port}").status == 200


def test_two_host_lines_are_refused(server):
    with socket.create_connection(("127.0.0.1", server.port), 5) as raw:
        raw.sendall(f"GET / HTTP/1.1\r\nHost: {server.host}\r\nHost: evil.example\r\n\r\n".encode())
        assert raw.recv(100).split(b" ")[1] in (b"400", b"421")


# ---------------------------------------------------------------- tokens and headers


@pytest.mark.parametrize("path", [path for path, _, changed in ROUTES if changed])
def test_each_change_asks_for_the_token(server, browser, path):
    path = path.replace("{number:int}", "1").replace("{take}", "x")
    assert browser.post(path, {"label": "a"}, token=False).status == 403
    assert browser.post(path, {"csrf": "0" * 64}, token=False).status == 403
    assert browser.ask("PUT", "/takes/x?offset=0", b"a").status == 403


def refused_form(server, browser, length: int) -> bytes:
    """The head of a form that will be refused, without its body."""
    lines = (
        "POST /jobs HTTP/1.1",
        f"Host: {server.host}",
        f"Origin: {server.url}",
        f"Cookie: {browser.cookie}",
        "Content-Type: text/plain",
        f"Content-Length: {length}",
    )
    return "\r\n".join((*lines, "", "")).encode()


def test_who_is_refused_can_read_why_though_the_body_comes_late(server, browser):
    """Closing with bytes unread resets a connection, and the answer may be lost (RFC 9112, 9.6)."""
    with socket.create_connection(("127.0.0.1", server.port), 5) as raw:
        raw.sendall(refused_form(server, browser, 200_000))
        for _ in range(10):
            time.sleep(0.02)
            raw.sendall(b"a" * 20_000)
        answer = b"".join(iter(lambda: raw.recv(4096), b""))
    assert answer.startswith(b"HTTP/1.1 403") and b"send it again." in answer


def test_who_is_refused_and_sends_nothing_is_not_waited_for(server, browser):
    with socket.create_connection(("127.0.0.1", server.port), 5) as raw:
        raw.sendall(refused_form(server, browser, 200_000))
        assert raw.recv(100).startswith(b"HTTP/1.1 403")


def test_a_token_belongs_to_its_session(server, browser):
    other = Browser(server)
    other.get("/")
    assert other.csrf != browser.csrf
    other.csrf = browser.csrf
    assert other.post("/jobs", {"label": "a"}).status == 403


def test_a_change_without_a_session_is_refused(server, browser):
    browser.cookie = ""
    assert browser.post("/jobs", {"label": "a"}).status == 403


def test_headers_of_every_answer(store, server, browser):
    job = new_job(store)
    for path in (
        "/",
        f"/jobs/{job}",
        "/static/bench.css",
        "/nothing",
        "/static/none.js",
        f"/jobs/{job}/papers/owner.html",
    ):
        headers = browser.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy
        assert not re.search(r"https?:|unsafe-eval|\*", policy)
        assert headers["x-content-type-options"] == "nosniff" and headers["x-frame-options"] == "DENY"
        assert "server" not in headers
    fresh = Browser(server).ask("GET", "/").headers["set-cookie"]
    assert "HttpOnly" in fresh and "SameSite=Strict" in fresh and "Path=/" in fresh


def test_only_own_scripts_and_nothing_from_elsewhere(store, server, browser):
    job = new_job(store)
    assert "script-src 'self';" in browser.get("/").headers["content-security-policy"]
    for path in ("/", f"/jobs/{job}", f"/jobs/{job}/clip", "/jobs/new", "/machines", f"/jobs/{job}/live"):
        text = browser.get(path).text
        assert not re.findall(r'(?:src|href|action|srcset)="(?:https?:)?//', text), path
        assert not re.findall(r"<script(?![^>]* src=)|\son[a-z]+=|\sstyle=|javascript:", text), path


def test_websockets_and_other_methods_are_refused(server, browser):
    assert browser.ask("DELETE", "/jobs/1", X_Csrf_Token=browser.csrf).status in (404, 405)
    assert browser.ask("TRACE", "/").status == 405
    upgrade = {
        "Connection": "Upgrade",
        "Upgrade": "websocket",
        "Sec_WebSocket_Version": "13",
        "Sec_WebSocket_Key": "a" * 22,
    }
    assert browser.ask("GET", "/live/events/x", **upgrade).status == 404


# ---------------------------------------------------------------- texts and names


def test_a_script_in_a_note_is_text(store, server, browser):
    job = new_job(store, label='<img src=x onerror="alert(1)">')
    note = "</textarea><script>alert(1)</script>\u202e\x1b[2J"
    assert browser.post(f"/jobs/{job}/notes", {"note": note}).status == 303
    browser.post(f"/jobs/{job}/checks", {"step": "spark", "result": "fail", "note": note})
    for path in (
        f"/jobs/{job}",
        "/",
        "/machines",
        "/machines/1",
        f"/jobs/{job}/papers/owner.html",
        f"/jobs/{job}/clip",
    ):
        text = browser.get(path).text
        assert "<script>alert" not in text and "<img src=x" not in text and "\u202e" not in text and "\x1b" not in text
    assert "&lt;script&gt;alert(1)" in browser.get(f"/jobs/{job}").text


@pytest.mark.parametrize("name", ["../../etc/passwd", "C:\\Windows\\evil.m4a", "/etc/shadow.wav", "..", "a\x00.m4a",
                                  "-rf.m4a", "x" * 5000 + ".m4a", "😀.m4a", "evil.m4a/../../../x.php"])  # fmt: skip
def test_a_path_in_a_file_name_leads_nowhere(store, server, browser, name):
    job = new_job(store)
    told = browser.post("/takes", {"job": job, "name": name, "size": 3, "stage": "before"})
    assert told.status == 201
    take = server.desk.takes.get(told.json["id"])
    root = server.desk.takes._folder.path
    assert take.path.parent.parent == root and take.path.name in (
        "recording",
        "recording.m4a",
        "recording.wav",
        "recording.php",
    )
    assert browser.ask("PUT", f"/takes/{take.id}?offset=0", b"abc", X_Csrf_Token=browser.csrf).status == 200
    assert [path.name for path in root.rglob("*") if path.is_file()] == [take.path.name]
    assert "/" not in take.name and "\\" not in take.name


@pytest.mark.parametrize(
    "path",
    [
        *("/static/../app.py", "/static/%2e%2e%2fapp.py", "/static/..%5capp.py", "/static//etc/passwd"),
        *("/takes/..%2f..%2fx/recording", "/runs/1/../../x"),
    ],
)
def test_a_path_in_an_address_leads_nowhere(server, browser, path):
    got = browser.ask("GET", path)
    assert got.status in (404, 400) and "import" not in got.text and "root:" not in got.text


def test_wrong_forms_are_refused_in_words(store, server, browser):
    job = new_job(store)
    for path, fields, word in (
        (f"/jobs/{job}/checks", {"step": "nonsense", "result": "pass"}, "not known"),
        (f"/jobs/{job}/checks", {"step": "spark", "result": "maybe"}, "expected"),
        (f"/jobs/{job}/checks", {"step": "spark", "result": "pass", "reading": "1e400"}, "expected"),
        (f"/jobs/{job}/work", {"kind": "part", "cost": "-5"}, "expected"),
        (f"/jobs/{job}/state", {"state": "gone"}, "expected"),
        ("/jobs", {"label": ""}, "label"),
        ("/jobs", {"label": "saw Thistle", "strokes": "3"}, "expected"),
        ("/jobs", {"label": "mower Badger", "cylinders": "2", "firing": "0,90"}, "expected"),
        ("/jobs", {"label": "mower Badger", "cylinders": "1", "firing": "0,270"}, "expected"),
        ("/takes", {"job": job, "name": "a", "size": "12x", "stage": "before"}, "whole number"),
        ("/takes", {"job": job, "name": "a", "size": "12", "stage": "never"}, "expected"),
    ):
        told = browser.post(path, fields)
        assert told.status == 400 and word in told.text, (path, told.status, told.text[-400:])
    endless = (f"/jobs/{'9' * 5000}", f"/jobs/{job}/checks/{'1' * 5000}/photo")  # Python reads 4300 digits at most
    for path in ("/jobs/999", "/runs/999", "/machines/999", "/takes/none", "/jobs/99999999999999999999", *endless):
        told = browser.get(path)
        assert told.status == 404 and str(store.parent) not in told.text, path


def test_how_a_twin_fires_can_be_told_or_left_to_its_sound(store, server, browser):
    assert "270/450" in browser.get("/jobs/new").text
    assert browser.post("/jobs", {"label": "mower Badger", "firing": "0,270", "cylinders": "2"}).status == 303
    assert browser.post("/jobs", {"label": "mower Sorrel", "firing": "", "cylinders": "2"}).status == 303
    with open_store(store) as opened:
        told, left = opened.machine("mower Badger"), opened.machine("mower Sorrel")
    assert told.firing_angles_deg == (0.0, 270.0) and "firing_angles_deg" not in told.assumed
    assert "firing_angles_deg" in left.assumed


# ---------------------------------------------------------------- floods


def test_ten_gigabytes_are_refused_before_they_come(store, server, browser):
    job = new_job(store)
    told = browser.post("/takes", {"job": job, "name": "big.wav", "size": 10**10, "stage": "before"})
    assert told.status == 409 and "10000000000" in told.text
    take = browser.post("/takes", {"job": job, "name": "a.wav", "size": 100, "stage": "before"}).json["id"]
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=10)
    connection.putrequest("PUT", f"/takes/{take}?offset=0", skip_host=True)
    for name, value in {"Host": server.host, "Origin": server.url, "Cookie": browser.cookie,
                        "X-Csrf-Token": browser.csrf, "Content-Length": str(10**10)}.items():  # fmt: skip
        connection.putheader(name, value)
    connection.endheaders()
    assert connection.getresponse().status == 413
    connection.close()


def test_a_body_somewhat_too_large_is_read_so_that_the_browser_sees_why_it_was_refused(store, browser):
    """A connection closed with bytes unread is reset, which a page can only call lost."""
    job = new_job(store)
    for _ in range(5):
        told = browser.ask("PUT", f"/jobs/{job}/photos/spark", bytes(9_000_000), X_Csrf_Token=browser.csrf)
        assert told.status == 413 and "9000000 bytes are too many" in told.text


@pytest.mark.parametrize("by_header", [True, False])
def test_a_form_of_too_many_fields_is_refused(browser, by_header):
    fields = {f"field{n}": "x" for n in range(300)}
    more = {"X_Csrf_Token": browser.csrf} if by_header else {}
    told = browser.post("/jobs", fields | {"label": "saw Thistle"}, **more)
    assert told.status == 400 and "more than 200 fields" in told.text


def test_an_endless_stream_is_cut_at_the_limit(store):
    with Server(Settings(store=store, port=0, bounds=bounds(largest_piece_mb=1))) as server:
        browser = Browser(server)
        browser.get("/")
        job = new_job(store)
        take = browser.announced(job, 50_000_000, "a.wav", "before")
        head = browser.head("PUT", f"/takes/{take}?offset=0", "Transfer-Encoding: chunked")
        sent, block = 0, b"10000\r\n" + bytes(0x10000) + b"\r\n"
        with socket.create_connection(("127.0.0.1", server.port), 10) as raw:
            raw.sendall(head)
            with contextlib.suppress(OSError):  # cut off
                while sent < 40_000_000:
                    raw.sendall(block)
                    sent += 0x10000
        assert sent < 20_000_000  # what the sockets held; far from what was meant to come
        assert server.desk.takes.get(take).received <= 1_100_000
        assert browser.get("/").status == 200


def test_a_form_too_large_is_refused(server, browser):
    assert browser.post("/jobs", {"label": "a", "note": "x" * 300_000}).status == 413


def test_more_than_announced_is_refused(store, server, browser):
    job = new_job(store)
    take = browser.post("/takes", {"job": job, "name": "a.wav", "size": 10, "stage": "before"}).json["id"]
    assert browser.ask("PUT", f"/takes/{take}?offset=0", b"x" * 50, X_Csrf_Token=browser.csrf).status == 409
    assert server.desk.takes.get(take).received == 0


def test_too_many_takes_are_refused(store):
    with Server(Settings(store=store, port=0, bounds=bounds(most_takes=2))) as server:
        browser = Browser(server)
        browser.get("/")
        job = new_job(store)
        told = [browser.post("/takes", {"job": job, "name": "a", "size": 9, "stage": "after"}).status for _ in range(3)]
        assert told == [201, 201, 409]


def test_idle_connections_do_not_hold_the_door(store):
    with Server(Settings(store=store, port=0, bounds=bounds(head_s=2))) as server:
        idle = [socket.create_connection(("127.0.0.1", server.port), 5) for _ in range(200)]
        for raw in idle[:100]:
            raw.sendall(b"GET / HTTP/1.1\r\nHost: a")  # half a head each, and then nothing
        browser, took = Browser(server), []
        for _ in range(5):
            begun = time.monotonic()
            assert browser.get("/").status == 200
            took.append(time.monotonic() - begun)
        assert sorted(took)[2] < 1.0
        time.sleep(3)
        for raw in idle:
            raw.settimeout(5)
            with contextlib.suppress(ConnectionResetError):  # closed too
                assert raw.recv(1) == b""
            raw.close()


def test_a_body_that_does_not_come_is_given_up(store):
    with Server(Settings(store=store, port=0, bounds=bounds(body_pause_s=1))) as server:
        browser = Browser(server)
        browser.get("/")
        head = (
            f"POST /jobs HTTP/1.1\r\nHost: {server.host}\r\nOrigin: {server.url}\r\nCookie: {browser.cookie}\r\n"
            "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 100\r\n\r\nlabel="
        )
        with socket.create_connection(("127.0.0.1", server.port), 10) as raw:
            raw.sendall(head.encode())
            assert raw.recv(100).split(b" ")[1] == b"408"


# ---------------------------------------------------------------- pairing


def test_nothing_is_shown_before_pairing(store):
    new_job(store)
    with lan_server(store) as server:
        visitor = Browser(server)
        assert visitor.get("/").headers["location"] == "/pair"
        for path in ("/jobs/1", "/machines", "/runs/1/recording", "/live/events", "/static/../x"):
            assert visitor.ask("GET", path, Accept="*/*").status == 401
        assert visitor.post("/jobs", {"label": "a"}).status == 401
        assert visitor.get("/pair").status == 200 and visitor.get("/static/bench.css").status == 200
        assert CODE not in visitor.get("/pair").text


def lan_server(store) -> Server:
    """Open to the network as far as pairing goes, but listening here."""
    return Server(Settings(store=store, port=0, lan=True, host="localhost", code=CODE))


def test_the_right_code_lets_in_and_wrong_ones_are_slowed(store):
    new_job(store)
    with lan_server(store) as server:
        phone = Browser(server)
        told = phone.post("/pair", {"code": "1234 5678"})
        assert (
            told.status == 303
            and "HttpOnly" in told.headers["set-cookie"]
            and "SameSite=Strict" in told.headers["set-cookie"]
        )
        phone.cookie = told.headers["set-cookie"].split(";")[0]
        assert phone.get("/").status == 200 and phone.post("/jobs", {"label": "pump Heron"}).status == 303
        guesser = Browser(server)
        assert [guesser.post("/pair", {"code": f"{n:08d}"}).status for n in range(4)] == [403, 403, 429, 429]
        slowed = guesser.post("/pair", {"code": CODE})
        assert slowed.status == 429 and int(slowed.headers["retry-after"]) >= 1  # now the right one has to wait too
        assert guesser.get("/").status == 303 and phone.get("/").status == 200


def test_pairing_needs_the_same_origin(store):
    with lan_server(store) as server:
        assert Browser(server).post("/pair", {"code": CODE}, Origin="https://evil.example").status == 403


def test_a_made_up_cookie_is_no_pairing(store):
    with lan_server(store) as server:
        visitor = Browser(server, cookie=f"enginelog_{server.port}={'A' * 43}")
        assert visitor.get("/").status == 303


class Clock:
    """A clock that is set by hand."""

    now = 1000.0

    def __call__(self) -> float:
        return self.now


def test_the_wait_doubles_and_ends():
    clock = Clock()
    pairing = Pairing(Settings(lan=True, code=CODE), clock)
    waits = []
    for _ in range(12):
        assert pairing.pair("10.0.0.7", "00000000") is None
        waits.append(pairing.wait_s("10.0.0.7"))
        clock.now += waits[-1]
    assert waits[:6] == [0, 0, 2, 4, 8, 16] and waits[-1] == 300 and pairing.wait_s("10.0.0.7") == 0
    assert pairing.pair("10.0.0.7", CODE) is not None and pairing.wait_s("10.0.0.7") == 0


def test_many_addresses_are_slowed_together():
    clock = Clock()
    pairing = Pairing(Settings(lan=True, code=CODE), clock)
    for n in range(20):
        assert pairing.wait_s(f"10.0.1.{n}") == 0
        pairing.pair(f"10.0.1.{n}", "00000000")
    assert pairing.wait_s("10.0.9.9") == 10
    for n in range(3000):  # and what is remembered of them is bounded
        pairing.pair(f"10.1.{n}", "00000000")
    assert len(pairing._wrong) <= 1000


def test_a_pairing_ends_and_codes_differ():
    clock = Clock()
    pairing = Pairing(Settings(lan=True, code=CODE), clock)
    token = pairing.pair("10.0.0.7", CODE)
    assert pairing.known(token) and not Pairing(Settings(lan=True, code=CODE), clock).known(token)
    clock.now += 8 * 24 * 3600
    assert not pairing.known(token)
    codes = {new_code() for _ in range(50)}
    assert len(codes) > 45 and all(re.fullmatch("[0-9]{8}", code) for code in codes)


def test_it_listens_on_this_machine_only(server):
    assert server._socket.getsockname()[0] == "127.0.0.1"
    assert Settings().host == "127.0.0.1" and not Settings().lan
