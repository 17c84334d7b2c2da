"""Dirty hands: a stray key, a second tap, a reload in the middle. Nothing typed is lost, nothing written by accident.

Implicit submission (the Enter key presses a form's first button, and nothing where that is disabled) is as in the HTML
standard, 4.10.21.2.
"""

import time
from pathlib import Path

from serve import Server, new_job

from enginelog.bench.settings import Settings
from enginelog.store import open_store

DEMO = Path(__file__).resolve().parents[2] / "recordings_demo"
NOTE = "details[open] input[name=note]"


def value(chromium, css: str) -> str:
    return chromium.run("return document.querySelector(arguments[0]).value", css)


def test_enter_in_a_field_passes_no_check(phone, store):
    chromium, _, job = phone
    chromium.type(NOTE, "no spark at all")
    chromium.press("Enter")
    chromium.run("document.querySelector('#work details').open = true")
    chromium.type("#text", "spark plug")
    chromium.press("Enter")
    assert chromium.run("return location.search + location.hash") == ""
    assert value(chromium, NOTE) == "no spark at all"
    with open_store(store) as opened:
        record = opened.record(job)
    assert record.checks == () and record.work == ()


def test_enter_opens_no_job_and_hands_nothing_back(phone, server, store):
    chromium, where, job = phone
    chromium.open(f"{server.url}/jobs/new")
    chromium.type("#label", "saw Thistle")
    chromium.press("Enter")
    chromium.open(f"{where}/hand-back")
    chromium.type("#next_service", "spring")
    chromium.press("Enter")
    with open_store(store) as opened:
        assert opened.count_jobs() == 1 and opened.job(job).state == "open"


def test_enter_where_it_waits_means_waiting(phone, store):
    chromium, _, job = phone
    chromium.type("#waiting_for", "a plug")
    chromium.press("Enter")
    chromium.until("return document.querySelector('h1 .state').textContent.includes('waiting for a plug')")
    with open_store(store) as opened:
        assert opened.job(job).waiting_for == "a plug"


def test_what_is_typed_outlives_a_reload_and_is_gone_once_written_down(phone, store):
    chromium, where, job = phone
    chromium.type("#note", "rang the owner")
    chromium.type(NOTE, "smells stale")
    for words in ("rang the owner", "smells stale"):  # a busy browser takes its time to hear the last key
        chromium.until("return Object.values(localStorage).some((kept) => kept.includes(arguments[0]))", words)
    chromium.open(where)
    chromium.until("return document.querySelector('#note').value")
    assert value(chromium, "#note") == "rang the owner" and value(chromium, NOTE) == "smells stale"
    chromium.click("#notes form button:not([type=button])")
    chromium.until("return document.querySelector('#notes .told')")
    assert value(chromium, "#note") == "" and value(chromium, NOTE) == "smells stale"
    chromium.open(where)
    assert value(chromium, "#note") == ""
    chromium.click("#checks form p.row button")  # empty it
    chromium.open(where)
    assert value(chromium, NOTE) == ""
    with open_store(store) as opened:
        assert opened.job(job).note == "rang the owner"
    assert chromium.complaints() == []


def test_what_is_typed_outlives_another_check_being_ticked(phone, store):
    """The page is then the job's at another address (?ticked=...), and the job's own again when it is opened anew."""
    chromium, where, _ = phone
    chromium.type("#note", "rang the owner")
    chromium.until("return Object.values(localStorage).some((kept) => kept.includes('rang the owner'))")
    chromium.click("details.step[open] button[value=pass]")
    chromium.until("return location.search.includes('ticked')")
    assert value(chromium, "#note") == "rang the owner"
    chromium.type("#note", " twice")
    chromium.until("return Object.values(localStorage).some((kept) => kept.includes('owner twice'))")
    chromium.open(where)
    chromium.until("return document.querySelector('#note').value")
    assert value(chromium, "#note") == "rang the owner twice" and chromium.complaints() == []


def test_what_is_typed_outlives_a_refusal(phone, server, store):
    chromium, _, _ = phone
    chromium.open(f"{server.url}/jobs/new")
    chromium.type("#label", "saw Thistle")
    chromium.type("#complaint", "dies when hot")
    chromium.click("details summary")
    chromium.run("document.querySelector('input[name=strokes][value=\"2\"]').click()")
    chromium.type("#rated_rpm", "99999")
    chromium.click(".thumb button")
    chromium.until("return document.querySelector('h1').textContent.includes('99999')")
    chromium.click(".thumb a")
    chromium.until("return document.getElementById('complaint')?.value === 'dies when hot'")
    assert chromium.run("return document.querySelector('input[value=\"2\"]').checked")
    assert chromium.run("return document.getElementById('rated_rpm').checkVisibility()")  # its part is open
    chromium.run("document.getElementById('rated_rpm').value = '9000'")
    chromium.click(".thumb button")
    chromium.until("return /^.jobs.[0-9]+$/.test(location.pathname)")
    with open_store(store) as opened:
        assert opened.machine("saw Thistle").strokes == 2
    chromium.complaints()  # the refusal itself is told there


def test_what_is_typed_outlives_a_server_started_anew(chromium, store):
    job, typed = new_job(store), "a long story of this mower"
    with Server(Settings(store=store, port=0)) as first:
        chromium.open(f"{first.url}/jobs/{job}")
        chromium.type("#note", typed)
        port = first.port
    with Server(Settings(store=store, port=port)) as second:
        chromium.click("#notes form button:not([type=button])")
        chromium.until("return document.querySelector('h1').textContent.includes('too old')")
        chromium.click(".thumb a")
        chromium.until("return document.getElementById('note')?.value === arguments[0]", typed)
        chromium.click("#notes form button:not([type=button])")
        chromium.until("return document.querySelector('#notes .told')")
        assert second.url in chromium.url
    with open_store(store) as opened:
        assert opened.job(job).note == typed
    chromium.complaints()


def test_two_taps_are_one_entry(phone, store):
    chromium, _, job = phone
    chromium.run("document.querySelector('#work details').open = true")
    chromium.type("#text", "spark plug")
    chromium.type("#cost", "7.20")
    chromium.run(TWO_TAPS)
    chromium.until("return document.querySelector('#work li')")
    with open_store(store) as opened:
        assert opened.record(job).cost_cents == 720


# A tap, and another a moment later, while the first is on its way.
TWO_TAPS = """
const button = document.querySelector('#work form button:not([disabled])');
button.click();
setTimeout(() => button.click(), 1);
"""


# ---------------------------------------------------------------- recordings

# What this browser has of a job and the server has not; what the page itself asks before it says so.
ONLY_HERE = "return import('/static/kept.js').then(({ onlyHere }) => onlyHere(arguments[0]))"
STATUS = "return document.getElementById('status').textContent.includes(arguments[0])"
READY = "return !document.getElementById('send').disabled"
# The browser asks nobody whether the page may be left: as when it is ended from outside.
LEFT = "window.addEventListener('beforeunload', (event) => event.stopImmediatePropagation(), true)"


# A recording is going, of so long. (Before it begins, the clock shows how long the one before was.)
RECORDING = """
const [stop, clock] = ['stop', 'clock'].map((name) => document.getElementById(name));
return !stop.hidden && clock.textContent >= arguments[0];
"""


def record(chromium, where: str, clock: str = "0:02") -> None:
    """Begin to record in the page, and wait until its clock shows so much."""
    chromium.open(f"{where}/clip")
    chromium.run(LEFT)
    chromium.run(STREAM)
    chromium.click("#start")
    chromium.until(RECORDING, clock)


# Keeps the stream of the microphone at hand.
STREAM = """
const asked = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
navigator.mediaDevices.getUserMedia = async (wanted) => (window.stream = await asked(wanted));
"""


def test_a_recording_that_is_broken_off_is_there_up_to_then(phone, server):
    chromium, where, job = phone
    record(chromium, where, "0:04")
    chromium.open(where)
    chromium.until("return !document.getElementById('held').hidden")
    chromium.click("#held a")
    chromium.until(STATUS, "broken off")
    chromium.until(READY)
    chromium.click("#send")
    chromium.until("return location.pathname.startsWith('/takes/')")
    chromium.until("return document.querySelector('.answer')", most_s=90)
    [take] = server.desk.takes.of_job(job)
    assert take.state == "done" and take.run.clip.seconds > 2
    assert chromium.complaints() == []


def test_a_second_recording_does_not_replace_the_first(phone):
    chromium, where, _ = phone
    record(chromium, where)
    chromium.click("#stop")
    chromium.until(READY)
    first = chromium.run("return document.getElementById('taken-name').textContent.split(',')[0]")
    time.sleep(1)  # recordings are named by the second
    chromium.click("#start")
    chromium.until(RECORDING, "0:01")
    chromium.click("#stop")
    chromium.until("return document.getElementById('held').textContent.includes(arguments[0])", first)
    chromium.until(STATUS, "Kept in this browser")  # shown a moment before it is written
    chromium.open(f"{where}/clip")
    chromium.until("return document.getElementById('held').textContent.includes(arguments[0])", first)
    chromium.click("#held button")
    chromium.until("return document.getElementById('taken-name').textContent.includes(arguments[0])", first)
    assert chromium.complaints() == []


def test_a_microphone_that_is_taken_away_leaves_what_was_heard(phone):
    chromium, where, _ = phone
    record(chromium, where)
    chromium.run("window.stream.getTracks().forEach((track) => track.stop())")
    chromium.until(STATUS, "ended by itself")
    assert chromium.run(READY)


def test_a_server_that_ends_before_attaching_loses_no_clip(chromium, store):
    """It is in the browser still, with what was told of it; the job's page says so."""
    job = new_job(store)
    with Server(Settings(store=store, port=0)) as first:
        chromium.open(f"{first.url}/jobs/{job}/clip")
        chromium.run("document.querySelector('input[value=during]').click()")
        chromium.run("document.querySelector('input[value=warm]').click()")
        chromium.type("#file", str(DEMO / "tiller_marigold_after.m4a"))
        chromium.until(READY)
        chromium.click("#send")
        chromium.until("return document.querySelector('.attach')", most_s=90)
        chromium.open(f"{first.url}/jobs/{job}")
        assert chromium.run(ONLY_HERE, job) == []  # the server has it
        assert chromium.run("return document.getElementById('held').hidden")
        port = first.port
    with Server(Settings(store=store, port=port)) as second:
        chromium.open(f"{second.url}/jobs/{job}")
        chromium.until("return document.getElementById('held').textContent.includes('tiller_marigold_after')")
        chromium.click("#held a")
        chromium.until(READY)
        assert chromium.run("return document.querySelector('[name=stage]:checked').value") == "during"
        assert chromium.run("return document.querySelector('[name=conditions]:checked').value") == "warm"
        chromium.click("#send")
        chromium.until("return document.querySelector('.attach')", most_s=90)
        chromium.click(".attach .thumb button")
        chromium.until("return location.pathname.startsWith('/runs/')")
        chromium.open(f"{second.url}/jobs/{job}/clip")
        chromium.until("return import('/static/kept.js').then(async ({ kept }) => !(await kept()).length)")
        assert chromium.run("return document.getElementById('taken').hidden")
    with open_store(store) as opened:
        [run] = opened.record(job).runs
        assert (run.stage, run.conditions) == ("during", ("warm",))
    chromium.complaints()  # the clip that the second server does not know
