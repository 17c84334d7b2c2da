"""`enginelog bench` at the terminal: what it shows, what it says where it cannot, and how it ends."""

import http.client
import os
import re
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import time
from pathlib import Path
from urllib.request import Request, urlopen

import pytest
from serve import Server

from enginelog import bench
from enginelog.bench.serving import announcement, own_names, qr_lines
from enginelog.bench.settings import Settings
from enginelog.cli import main
from enginelog.model import EnginelogError

COMMAND = [sys.executable, "-c", "import sys; from enginelog.cli import main; sys.exit(main())", "bench"]


def test_the_qr_code_holds_the_address():
    """Read back square by square, it is the code of that very text by segno (ISO/IEC 18004)."""
    import segno

    text = "http://192.0.2.7:8765/pair#12345678"
    light = {"\u2588": (True, True), "\u2580": (True, False), "\u2584": (False, True), " ": (False, False)}
    pairs = [[light[block] for block in line] for line in qr_lines(text)]
    rows = [row for pair in pairs for row in ([upper for upper, _ in pair], [lower for _, lower in pair])]
    wanted = [[not dark for dark in row] for row in segno.make(text, error="m", micro=False).matrix_iter(border=2)]
    assert rows[: len(wanted)] == wanted and all(all(row) for row in rows[len(wanted) :])


def test_the_code_is_shown_only_for_the_network():
    alone = "\n".join(announcement(Settings(code="12345678"), 8765))
    assert "127.0.0.1:8765" in alone and "1234" not in alone and "--lan" in alone
    opened = "\n".join(announcement(Settings(code="12345678", lan=True), 8765))
    assert "1234 5678" in opened and "not\nencrypted" in opened
    address = opened.splitlines()[0].split()[-1]  # the QR code holds the code behind the #, which is never sent
    assert "\n".join(qr_lines(f"{address}pair#12345678")) in opened
    assert all("." not in name or name.endswith(".local") for name in own_names())


def certificate(folder) -> Path:
    """A certificate of one's own with its key in one file."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not here to make a certificate with")
    command = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost"]
    made = [*command, "-keyout", str(folder / "key"), "-out", str(folder / "cert")]
    subprocess.run(made, check=True, capture_output=True)
    both = folder / "both.pem"
    both.write_bytes((folder / "cert").read_bytes() + (folder / "key").read_bytes())
    return both


def test_served_encrypted(tmp_path):
    """With a certificate the page is https only, the cookie stays on it, and changes know their origin."""
    settings = Settings(store=tmp_path / "s", port=0, certificate=certificate(tmp_path))
    with Server(settings) as server:
        context = ssl.create_default_context(cafile=str(tmp_path / "cert"))
        connection = http.client.HTTPSConnection("localhost", server.port, context=context, timeout=10)
        connection.request("GET", "/", headers={"Accept": "text/html"})
        got = connection.getresponse()
        cookie, token = got.getheader("set-cookie"), re.search(b'name="csrf" content="([0-9a-f]+)"', got.read())[1]
        assert got.status == 200 and "Secure" in cookie
        headers = {"Origin": f"https://localhost:{server.port}", "Cookie": cookie.split(";")[0], "X-Csrf-Token": token}
        kind = {"Content-Type": "application/x-www-form-urlencoded"}
        for origin, status in ((headers["Origin"], 303), (f"http://localhost:{server.port}", 403)):
            connection.request("POST", "/jobs", "label=pump+Heron", headers | kind | {"Origin": origin})
            got = connection.getresponse()
            assert (got.status, got.read() is not None) == (status, True)
            connection.close()
    shown = "\n".join(announcement(Settings(lan=True, certificate=settings.certificate), 8765))
    assert "https://" in shown and "not\nencrypted" not in shown


def test_a_file_that_is_no_certificate(tmp_path, capsys):
    (tmp_path / "c.pem").write_text("nothing")
    for name in ("c.pem", "missing.pem"):
        assert (
            main(["bench", "--port", "0", "--store", str(tmp_path / "s"), "--certificate", str(tmp_path / name)]) == 1
        )
        said = capsys.readouterr().err
        assert "PEM" in said and name in said and said.count("\n") == 1


def test_a_taken_address_is_one_line(tmp_path, capsys):
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        assert main(["bench", "--port", str(port), "--store", str(tmp_path / "s")]) == 1
    said = capsys.readouterr().err
    assert str(port) in said and "--port" in said and said.count("\n") == 1


def test_a_job_record_that_cannot_be_opened_is_said_before(tmp_path, capsys):
    (tmp_path / "s").write_text("no store " * 100)
    assert main(["bench", "--port", "0", "--store", str(tmp_path / "s")]) == 4
    assert capsys.readouterr().err.count("\n") == 1


def test_missing_packages_name_the_install_command(monkeypatch):
    monkeypatch.delitem(sys.modules, "enginelog.bench.app", raising=False)
    monkeypatch.setitem(sys.modules, "starlette.applications", None)
    with pytest.raises(EnginelogError, match=r"pip install 'enginelog\[bench\]'"):
        bench.make_app(Settings())


@pytest.mark.skipif(sys.platform == "win32", reason="signals are those of POSIX systems")
def test_it_serves_and_ends_with_ctrl_c(tmp_path):
    running = subprocess.Popen(
        [*COMMAND, "--port", "0", "--store", str(tmp_path / "s")], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env=os.environ | {"PYTHONIOENCODING": "utf-8"}, text=True, encoding="utf-8",
    )  # fmt: skip
    address = running.stdout.readline().split()[-1]
    until = time.monotonic() + 20
    while True:
        try:
            with urlopen(Request(address, headers={"Accept": "text/html"}), timeout=5) as got:
                assert b"Jobs" in got.read()
            break
        except OSError:
            assert time.monotonic() < until
            time.sleep(0.1)
    running.send_signal(signal.SIGINT)
    _, said = running.communicate(timeout=20)
    assert "Traceback" not in said and running.returncode in (0, 130), said
