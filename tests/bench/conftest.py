"""Fixtures of the bench page's tests: a server with a store of its own, and a browser where there is one."""

import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from enginelog.bench.settings import Settings

TOP = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module", autouse=True)
def elsewhere(tmp_path_factory) -> Iterator[None]:
    """In a folder of its own: a server that ends keeps what was recorded and not attached in the current one."""
    with contextlib.chdir(tmp_path_factory.mktemp("current")):
        yield


@pytest.fixture(scope="session")
def clip_bytes() -> bytes:
    """A made-up recording as a phone would send it."""
    return (TOP / "recordings_demo" / "tiller_marigold_before.m4a").read_bytes()


@pytest.fixture(scope="module")
def chromium(tmp_path_factory) -> Iterator:
    """A real browser; the test is skipped where there is none."""
    from driving import CHROMIUM, DRIVER, WHY_NOT, Chromium

    if not (CHROMIUM and DRIVER):
        pytest.skip(WHY_NOT)
    window = Chromium(tmp_path_factory.mktemp("browser"))
    try:
        window.__enter__()
    except (AssertionError, OSError) as failed:
        window.__exit__()
        pytest.skip(f"Chromium is here but does not start: {failed}"[:300])
    try:
        yield window
    finally:
        window.__exit__()


@pytest.fixture
def store(tmp_path) -> Path:
    return tmp_path / "shed.enginelog"


@pytest.fixture
def server(store) -> Iterator:
    from serve import Server

    with Server(Settings(store=store, port=0)) as running:
        yield running


@pytest.fixture
def browser(server):
    from serve import Browser

    made = Browser(server)
    assert made.get("/").status == 200
    return made


@pytest.fixture
def phone(chromium, server, store):
    """(browser, address of a new job, its number)."""
    from serve import new_job

    job = new_job(store)
    chromium.size(360, 740)
    chromium.open(f"{server.url}/jobs/{job}")
    return chromium, f"{server.url}/jobs/{job}", job
