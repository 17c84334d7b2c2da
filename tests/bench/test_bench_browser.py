"""The whole way through in a real browser: from the phone's clip to the comparison, lost Wi-Fi and all."""

import shutil
import subprocess
from pathlib import Path

import make_runs
import pytest
from serve import Browser, Server, new_job, with_answer

from enginelog.bench.settings import Settings
from enginelog.store import open_store

DEMO = Path(__file__).resolve().parents[2] / "recordings_demo"
CODE = "12345678"
ANSWER = "return document.querySelector('.answer')?.textContent"


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """(server, store, job) for all tests of this file."""
    store = tmp_path_factory.mktemp("store") / "shed.enginelog"
    sound = DEMO / "generator_lantern_50hz.flac"
    with Server(Settings(store=store, port=0, sound=sound)) as server:
        yield server, store, new_job(store)


# How many points of the plot are drawn.
DRAWN = """
const canvas = document.querySelector('canvas');
const points = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
return points.filter((value, index) => index % 4 === 3 && value > 0).length;
"""
# The track has come and is drawn; with it the buttons work. A canvas is 300 wide before (HTML standard, 4.12.5).
PLOTTED = "return document.querySelector('canvas').width > 300"
# Whether the element with the focus, or what stands for it, is outlined.
FOCUS_SHOWS = """
const focus = document.activeElement;
return [focus, focus.nextElementSibling, ...(focus.labels || [])].some((each) => {
  const style = each && getComputedStyle(each);
  return style && style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
});
"""


def text_of(pdf: bytes) -> str:
    """The text of a PDF, by another program's reading of it."""
    assert pdf.startswith(b"%PDF-")
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not here to read the print: apt install poppler-utils")
    done = subprocess.run(["pdftotext", "-", "-"], input=pdf, capture_output=True, timeout=60, check=True)
    return done.stdout.decode("utf-8")


def send(chromium, server, job: int, clip: Path, stage: str) -> None:
    """Choose a clip on the phone and send it; ends on the page with its answer."""
    chromium.open(f"{server.url}/jobs/{job}/clip")
    chromium.click(f"input[value={stage}]")
    chromium.type("#file", str(clip))
    chromium.until("return !document.getElementById('send').disabled")
    chromium.click("#send")
    chromium.until("return location.pathname.startsWith('/takes/')")
    chromium.until(ANSWER, most_s=90)


def test_from_the_clip_to_the_comparison(chromium, place):
    server, store, job = place
    chromium.size(360, 740)
    for stage in ("before", "after"):
        send(chromium, server, job, DEMO / f"tiller_marigold_{stage}.m4a", stage)
        chromium.click(".attach .button")
        chromium.until("return location.pathname.startsWith('/runs/')")
    chromium.click(f"a[href='/jobs/{job}/compare']")
    chromium.until("return location.pathname.endsWith('/compare')")
    assert "isfires" in chromium.until(ANSWER)
    assert chromium.run("return document.querySelectorAll('.changes li').length") >= 3
    chromium.until(
        "const picture = document.querySelector('.pan img'); return picture.complete && picture.naturalWidth"
    )
    printed = text_of(chromium.pdf())
    assert "Misfires" in printed and "Before against after" in printed
    assert "Back to the job" not in printed and "Closer" not in printed  # what only a screen needs
    with open_store(store) as opened:
        assert [run.stage for run in opened.record(job).runs] == ["before", "after"]
    assert chromium.complaints() == []


def test_what_next_and_back_to_the_owner(chromium, place):
    """From the recording on: an answer to a question, the next check, and the machine goes back with its papers."""
    server, store, _ = place
    job = new_job(store, "tiller Nettle")
    chromium.size(360, 740)
    send(chromium, server, job, DEMO / "tiller_marigold_before.m4a", "before")
    chromium.click(".attach .button")
    chromium.until("return location.pathname.startsWith('/runs/')")
    chromium.open(f"{server.url}/jobs/{job}")
    chromium.click(f"a[href='/jobs/{job}/advice']")
    chromium.until("return location.pathname.endsWith('/advice')")
    chromium.until("return document.querySelectorAll('.causes li').length > 1")
    chromium.run("document.querySelector('input[name^=\"answer.\"]').click()")
    chromium.click("main form .thumb .button")
    chromium.until("return document.body.textContent.includes('Told here')")
    assert "answer." in chromium.url
    chromium.open(f"{server.url}/jobs/{job}#tick-spark")
    assert chromium.until("return document.getElementById('tick-spark').checkVisibility()")
    chromium.open(f"{server.url}/jobs/{job}/hand-back")
    chromium.type("#told", "Runs evenly again.")
    chromium.click("main form .thumb .button")
    chromium.until("return document.querySelector('h2').textContent.startsWith('Handed back')")
    assert "Runs evenly again." in chromium.run("return document.getElementById('message').value")
    chromium.click("#copy")
    chromium.until("return document.getElementById('copied').textContent.length > 5")
    with open_store(store) as opened:
        assert opened.job(job).state == "handed_back"
    chromium.click(f"a[href='/jobs/{job}/papers/owner.html']")
    chromium.until("return location.pathname.endsWith('owner.html')")
    assert "Runs evenly again." in text_of(chromium.pdf())
    chromium.open(f"{server.url}/jobs/{job}")
    chromium.click("button[value=open]")
    chromium.until("return document.querySelector('h1 .state').textContent === 'open'")
    assert chromium.complaints() == []


def test_a_stretch_is_heard_with_a_moving_cursor(chromium, place):
    server, store, _ = place
    chromium.size(360, 740)
    send(chromium, server, new_job(store, "tiller Clover"), DEMO / "tiller_marigold_before.m4a", "before")
    chromium.click(".attach .button")
    chromium.until("return location.pathname.startsWith('/runs/')")
    chromium.until("return document.querySelector('audio').readyState >= 1")
    chromium.until(PLOTTED)
    chromium.click(".hear")
    start = float(chromium.run("return document.querySelector('.hear').dataset.start"))
    later = "const a = document.querySelector('audio'); return a.currentTime > arguments[0] + 0.3 && a.currentTime"
    moved = chromium.until(later, start, most_s=20)
    words = chromium.run("return document.querySelector('.cursor').textContent")
    assert " s: " in words and abs(float(words.split(" s")[0]) - moved) < 2 and "rpm" in words
    for how in ("in", "right", "out", "all"):
        chromium.click(f".player [data-zoom={how}]")
    assert chromium.run(DRAWN) > 1000
    assert chromium.complaints() == []


def chosen(chromium, server, job: int, folder: Path) -> None:
    """A clip is chosen on the clip page and ready to be sent."""
    clip = folder / "long clip.m4a"
    shutil.copy(DEMO / "tiller_marigold_after.m4a", clip)
    chromium.open(f"{server.url}/jobs/{job}/clip")
    chromium.type("#file", str(clip))
    chromium.until("return !document.getElementById('send').disabled")


# What this browser has of a job and the server has not; what the page itself asks before it shows a clip.
ONLY_HERE = "return import('/static/kept.js').then(({ onlyHere }) => onlyHere(arguments[0]))"
STATUS = "return document.getElementById('status').textContent.includes(arguments[0])"


def test_lost_wifi_is_survived(chromium, place, tmp_path):
    """The connection is gone when the clip is sent: it says so, keeps the clip, and goes on by itself."""
    server, _, job = place
    chosen(chromium, server, job, tmp_path)
    chromium.offline(True)
    chromium.click("#send")
    chromium.until(STATUS, "connection is lost")
    chromium.offline(False)
    chromium.until("return location.pathname.startsWith('/takes/')")
    chromium.complaints()  # the lost connection itself is told there
    chromium.open(f"{server.url}/jobs/{job}/clip")
    assert chromium.run(ONLY_HERE, job) == []  # it has arrived
    assert chromium.run("return document.getElementById('taken').hidden")


def test_a_closed_page_does_not_lose_the_clip(chromium, place, tmp_path):
    """Sent half, then the page is closed: opened again it goes on with what has arrived already."""
    server, _, job = place
    chosen(chromium, server, job, tmp_path)
    chromium.run(HALF_SENT, job)
    chromium.until("return window.half")
    chromium.open(f"{server.url}/jobs/{job}/clip")
    chromium.until(STATUS, "has not arrived yet")
    assert "long clip.m4a" in chromium.run("return document.getElementById('taken-name').textContent")
    [take] = [take for take in server.desk.takes.of_job(job) if take.state == "arriving"]
    assert take.received == 50_000
    chromium.click("#send")
    chromium.until("return location.pathname.endsWith(arguments[0])", take.id)
    assert take.path.read_bytes() == (DEMO / "tiller_marigold_after.m4a").read_bytes()


# What the page does, stopped after 50 000 bytes: announced, noted, and a first piece sent.
HALF_SENT = """
(async () => {
  const { ask } = await import('/static/common.js');
  const { keep, kept } = await import('/static/kept.js');
  const [take] = await kept(arguments[0]);
  const told = new URLSearchParams({ job: take.job, name: take.name, size: take.blob.size, stage: take.stage });
  take.id = (await ask('/takes', { method: 'POST', body: told })).id;
  await keep(take);
  await ask(`/takes/${take.id}?offset=0`, { method: 'PUT', body: take.blob.slice(0, 50000) });
  window.half = true;
})();
"""


def test_recording_in_the_page(chromium, place):
    """The browser's made-up microphone beeps: no engine, which the answer says; the way there is what is tested."""
    server, _, job = place
    chromium.open(f"{server.url}/jobs/{job}/clip")
    chromium.until("return document.getElementById('can-record').textContent.includes('asked to be off')")
    chromium.click("#start")
    chromium.until("return document.getElementById('level').getAttribute('aria-valuenow') > 0")
    chromium.until("return document.getElementById('clock').textContent >= '0:03'")
    assert "clip" in chromium.run("return document.getElementById('clipping').textContent")
    chromium.click("#stop")
    chromium.until("return !document.getElementById('send').disabled")
    chromium.click("#send")
    chromium.until("return location.pathname.startsWith('/takes/')")
    assert "engine" in chromium.until(ANSWER, most_s=90).lower()
    assert chromium.complaints() == []


LOUD_MICROPHONE = """
navigator.mediaDevices.getUserMedia = async () => {
  const sound = new AudioContext();
  const [tone, to] = [sound.createOscillator(), sound.createMediaStreamDestination()];
  window.gain = sound.createGain();
  window.gain.gain.value = 1.2;
  tone.connect(window.gain).connect(to);
  tone.start();
  await sound.resume();
  return to.stream;
};
"""


def test_too_loud_is_said_only_while_it_is(chromium, place):
    """Who steps back has to see that it helped."""
    server, store, _ = place
    job = new_job(store)
    chromium.open(f"{server.url}/jobs/{job}/clip")
    chromium.run(LOUD_MICROPHONE)
    chromium.click("#start")
    says = "return document.getElementById('clipping').textContent"
    chromium.until(says + ".includes('Too loud')")
    assert chromium.run("return document.getElementById('level').classList.contains('over')")
    chromium.run("window.gain.gain.value = 0.1")
    chromium.until(says + ".startsWith('✓ Not clipping now, last at 0:')", most_s=20)
    assert not chromium.run("return document.getElementById('level').classList.contains('over')")
    chromium.click("#stop")
    chromium.until("return !document.getElementById('send').disabled")
    assert chromium.complaints() == []


def test_live_with_the_microphone_of_the_machine(chromium, place):
    server, _, job = place
    chromium.open(f"{server.url}/jobs/{job}/live")
    chromium.click("main form .button")
    shown = chromium.until(
        "const t = document.getElementById('rpm').textContent; return /^[0-9]+$/.test(t) && t", most_s=30
    )
    assert 2800 < int(shown) < 3400
    assert "dB" in chromium.run("return document.getElementById('level-text').textContent")
    chromium.click("main form .button")
    chromium.until("return location.pathname.startsWith('/takes/')")
    assert "istening" in chromium.run("return document.getElementById('what')?.textContent ?? 'Listening'")
    assert chromium.complaints() == []


def test_a_photo_is_taken_with_a_check(chromium, place, tmp_path):
    """Made smaller on the phone, sent, ticked, and shown on the job."""
    from PIL import Image

    server, store, _ = place
    job = new_job(store, "saw Thistle")
    Image.new("RGB", (4000, 3000), "orange").save(tmp_path / "plug.png")
    chromium.size(360, 740)
    chromium.open(f"{server.url}/jobs/{job}")
    chromium.type("details[open] input[type=file]", str(tmp_path / "plug.png"))
    chromium.until("return document.querySelector('details[open] .photo .status').textContent.includes('arrived')")
    assert chromium.until("return document.querySelector('details[open] img.shot').naturalWidth") == 2000
    chromium.click("details[open] button[value=pass]")
    chromium.until("return location.search.includes('ticked')")
    chromium.run("document.querySelector('a.shot').scrollIntoView()")
    assert chromium.until("return document.querySelector('a.shot img')?.naturalWidth") == 1600
    (tmp_path / "no.jpg").write_bytes(b"no picture")
    chromium.type("details[open] input[type=file]", str(tmp_path / "no.jpg"))
    chromium.until("return document.querySelector('details[open] .photo .status').textContent.includes('not taken')")
    assert chromium.run("return document.querySelector('details[open] button[value=pass]').disabled") is False
    assert [each for each in chromium.complaints() if "409" not in each] == []


SPARK = "document.querySelector('#tick-spark')"
# No photo waits in this browser; asked after the page has asked the same.
NO_PHOTO_KEPT = "return import('/static/kept.js').then(async ({ keptPhotos }) => !(await keptPhotos()).length)"
PHOTO_SAYS = f"return {SPARK}.querySelector('.photo .status').textContent"


def choose_a_photo(chromium, server, job: int, tmp_path: Path, before: dict | None = None) -> None:
    """On the job's page; before: a state of the network from then on."""
    from PIL import Image

    Image.new("RGB", (400, 300), "teal").save(tmp_path / "plug.png")
    chromium.open(f"{server.url}/jobs/{job}")
    chromium.run(f"{SPARK}.closest('details').open = true")
    chromium.until(f"return !{SPARK}.querySelector('.photo').hidden")
    if before is not None:
        chromium.tool("Network.emulateNetworkConditions", before)
    chromium.type("#photo-spark", str(tmp_path / "plug.png"))


def test_a_photo_that_is_not_ticked_yet_outlives_a_reload(chromium, place, tmp_path):
    """It comes back with its preview, and is gone from the browser once the check is written down."""
    server, store, _ = place
    job = new_job(store, "pump Heron")
    choose_a_photo(chromium, server, job, tmp_path)
    chromium.until(PHOTO_SAYS + ".includes('has arrived')")
    waiting = len(server.desk.photos._kept)
    for _ in range(2):
        chromium.open(f"{server.url}/jobs/{job}")
        chromium.until(
            PHOTO_SAYS + ".startsWith('Chosen here before and not ticked: it is back. The photo has arrived')"
        )
        chromium.until(f"return {SPARK}.closest('details').open && {SPARK}.querySelector('img.shot').naturalWidth")
    assert len(server.desk.photos._kept) == waiting
    chromium.click("#tick-spark button[value=fail]")
    chromium.until("return location.search.includes('ticked=spark')")
    with open_store(store) as opened:
        [check] = opened.record(job).checks
    assert check.photo_name == "spark.jpg"
    chromium.open(f"{server.url}/jobs/{job}")
    chromium.until(NO_PHOTO_KEPT)
    assert chromium.run(PHOTO_SAYS) == "" and chromium.complaints() == []


def test_a_photo_left_out_does_not_come_back(chromium, place, tmp_path):
    server, store, _ = place
    job = new_job(store, "pump Heron")
    choose_a_photo(chromium, server, job, tmp_path)
    chromium.until(PHOTO_SAYS + ".includes('has arrived')")
    chromium.click("#tick-spark button.leave")
    assert chromium.run(f"return {SPARK}.elements.photo.value") == "" and chromium.run(PHOTO_SAYS) == ""
    chromium.until(NO_PHOTO_KEPT)
    chromium.open(f"{server.url}/jobs/{job}")
    chromium.until(NO_PHOTO_KEPT)
    assert chromium.run(PHOTO_SAYS) == ""


def test_a_photo_without_a_connection_is_sent_after_a_reload(chromium, place, tmp_path):
    server, store, _ = place
    job = new_job(store, "pump Heron")
    lost = {"offline": True, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
    chromium.tool("Network.enable", {})
    try:
        choose_a_photo(chromium, server, job, tmp_path, lost)
        chromium.until(PHOTO_SAYS + ".includes('it is kept in this browser')")
    finally:
        chromium.tool("Network.emulateNetworkConditions", lost | {"offline": False})
    chromium.open(f"{server.url}/jobs/{job}")
    chromium.until(PHOTO_SAYS + ".includes('has arrived')")
    chromium.complaints()


def tab_to(chromium, test: str) -> None:
    """Press Tab until the element with the focus, e, fits; each stop on the way must show its focus."""
    for _ in range(150):
        chromium.press("Tab")
        assert chromium.run(FOCUS_SHOWS), chromium.run("return document.activeElement.outerHTML")
        if chromium.run(f"const e = document.activeElement; return Boolean({test})"):
            return
    raise AssertionError(f"never reached: {test}")


def test_the_keyboard_alone(chromium, place):
    """From the list to a ticked check without a pointer: each stop shows its focus."""
    server, store, _ = place
    job = new_job(store, "mower Clover")
    chromium.size(1280, 800)
    chromium.open(f"{server.url}/")

    chromium.press("Tab")
    assert chromium.run("return document.activeElement.className") == "skip"
    tab_to(chromium, f"e.getAttribute('href') === '/jobs/{job}'")
    chromium.press("Enter")
    chromium.until(f"return location.pathname === '/jobs/{job}'")
    tab_to(chromium, "e.name === 'result' && e.value === 'pass'")
    chromium.press("Enter")
    chromium.until("return location.search.includes('ticked')")
    with open_store(store) as opened:
        assert [(check.step, check.result) for check in opened.record(job).checks] == [("fuel_tank", "pass")]
    tab_to(chromium, f"e.getAttribute('href') === '/jobs/{job}/clip'")
    chromium.press("Enter")
    chromium.until(f"return location.pathname === '/jobs/{job}/clip'")
    tab_to(chromium, "e.id === 'file'")
    assert chromium.run("return getComputedStyle(document.querySelector('label[for=file]')).outlineStyle") != "none"


def test_the_keyboard_alone_from_the_answer_to_the_hand_back(chromium, tmp_path):
    """Hear a stretch, zoom, attach, answer a question, hand back: without a pointer."""
    store = tmp_path / "keys.enginelog"
    job = new_job(store)
    with Server(Settings(store=store, port=0)) as server:
        take = with_answer(server, job, make_runs.hunting_pump())
        chromium.size(360, 740)
        chromium.open(f"{server.url}/takes/{take}")
        chromium.until(PLOTTED)
        tab_to(chromium, "e.name === 'stage'")
        chromium.press("Down")
        tab_to(chromium, "e.type === 'checkbox' && e.value === 'warm'")
        chromium.press("Space")
        tab_to(chromium, "e.closest('.attach') && e.tagName === 'BUTTON'")
        chromium.press("Enter")
        chromium.until("return location.pathname.startsWith('/runs/')")
        with open_store(store) as opened:
            [run] = opened.record(job).runs
            assert (run.stage, run.conditions) == ("during", ("warm",))
        tab_to(chromium, "e.className === 'hear'")
        chromium.press("Enter")
        tab_to(chromium, "e.dataset.zoom === 'out'")
        chromium.press("Space")
        chromium.open(f"{server.url}/jobs/{job}/advice")
        tab_to(chromium, "e.name === 'answer.choke_helps'")
        chromium.press("Space")
        tab_to(chromium, "e.closest('.thumb')")
        chromium.press("Enter")
        chromium.until("return document.body.textContent.includes('Told here')")
        chromium.open(f"{server.url}/jobs/{job}/hand-back")
        tab_to(chromium, "e.id === 'told'")
        chromium.press(*"Done")
        tab_to(chromium, "e.closest('.thumb')")
        chromium.press("Enter")
        chromium.until("return document.querySelector('h2').textContent.startsWith('Handed back')")
        with open_store(store) as opened:
            assert opened.job(job).handback.told_owner == "Done"
    chromium.complaints()  # the word "sound" cannot be played


def test_the_qr_code_pairs_by_itself(chromium, tmp_path):
    store = tmp_path / "other.enginelog"
    new_job(store)
    with Server(Settings(store=store, port=0, lan=True, host="localhost", code=CODE)) as server:
        chromium.open(f"{server.url}/pair#{CODE}")
        chromium.until("return location.pathname === '/' && document.querySelector('.jobs')")
        assert "tiller Marigold" in chromium.run("return document.body.textContent")
        assert CODE not in chromium.url
        assert Browser(server).get("/").status == 303


# What version 2 of the browser's shelves held: one clip and no shelf for photos.
OLDER_SHELVES = """
return new Promise((done) => {
  indexedDB.deleteDatabase('enginelog-bench').onsuccess = () => {
    const wanted = indexedDB.open('enginelog-bench', 2);
    wanted.onupgradeneeded = () => {
      wanted.result.createObjectStore('clips', { keyPath: 'key' });
      wanted.result.createObjectStore('pieces', { keyPath: ['key', 'index'] });
    };
    wanted.onsuccess = () => {
      const going = wanted.result.transaction('clips', 'readwrite');
      going.objectStore('clips').put({ key: 'a', job: arguments[0], name: 'older.wav', blob: new Blob(['x']), at: 1 });
      going.oncomplete = () => { wanted.result.close(); done(true); };
    };
  };
});
"""


def test_clips_kept_by_an_older_page_are_still_there(chromium, place, tmp_path):
    server, store, _ = place
    job = new_job(store, "pump Heron")
    chromium.open(f"{server.url}/machines")
    assert chromium.run(OLDER_SHELVES, job)
    choose_a_photo(chromium, server, job, tmp_path)
    chromium.until(PHOTO_SAYS + ".includes('has arrived')")
    chromium.open(f"{server.url}/jobs/{job}")
    told = chromium.until("return document.querySelector('#apart:not([hidden]) li')?.textContent")  # of which machine?
    assert told.startswith("older.wav") and told.endswith(f"job {job} of a job record not known")
    chromium.until(PHOTO_SAYS + ".includes('it is back')")
    chromium.run("indexedDB.deleteDatabase('enginelog-bench')")
