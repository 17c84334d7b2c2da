"""`enginelog bench` at the terminal: what it shows, what it says where it cannot, and how it ends."""

import os
import signal
import socket
import subprocess
import sys
import time
from urllib.request import Request, urlopen

import pytest

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
    assert all("." not in name or name.endswith(".local") for name in own_names())


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
