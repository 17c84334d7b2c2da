"""Photos with a bench check: made plain and small apart from the server, bounded, shown on the job, and inert.

What a picture file may carry besides its picture: the Exif standard (CIPA DC-008), whose GPS fields tell the place.
"""

import io
import subprocess
import sys

import pytest
from PIL import Image
from serve import Browser, Server, bounds, new_job

from enginelog.bench.photos import Photos
from enginelog.bench.settings import Settings
from enginelog.store import open_store

ORIENTATION, GPS, MAKER = 0x0112, 0x8825, 0x010F  # tags of the Exif standard


def picture(kind: str = "JPEG", size: tuple[int, int] = (3000, 2000), **more) -> bytes:
    """Red on the left, blue on the right."""
    made = Image.new("RGB", size, "blue")
    made.paste("red", (0, 0, size[0] // 2, size[1]))
    target = io.BytesIO()
    made.save(target, kind, **more)
    return target.getvalue()


def told_by_a_phone() -> bytes:
    """A photo as a phone held upright makes it: turned, with maker and place."""
    exif = Image.Exif()
    exif[ORIENTATION], exif[MAKER] = 6, "secret maker"
    exif.get_ifd(GPS).update({1: "N", 2: (51.0, 30.0, 0.0)})
    return picture(exif=exif, comment=b"<script>alert(1)</script>")


def put(browser: Browser, job: int, data: bytes, step: str = "spark"):
    return browser.ask("PUT", f"/jobs/{job}/photos/{step}", data, X_Csrf_Token=browser.csrf, Accept="application/json")


def test_a_photo_goes_with_its_check(store, server, browser):
    job = new_job(store)
    got = put(browser, job, told_by_a_phone())
    assert got.status == 201, got.text
    told = {"step": "spark", "result": "fail", "note": "gap 1.2 mm", "photo": got.json["id"]}
    assert browser.post(f"/jobs/{job}/checks", told).status == 303
    with open_store(store) as opened:
        [check] = opened.record(job).checks
        [kept] = opened.files_of(job)
        assert (check.photo_name, check.note) == ("spark.jpg", "gap 1.2 mm")
        data = kept.path.read_bytes()
    address = f"/jobs/{job}/checks/{check.id}/photo"
    assert f'src="{address}"' in browser.get(f"/jobs/{job}").text
    shown = browser.ask("GET", address)
    assert shown.status == 200 and shown.body == data and shown.headers["content-type"] == "image/jpeg"
    assert shown.headers["content-security-policy"] == "default-src 'none'; sandbox"
    with Image.open(io.BytesIO(data)) as plain:
        assert plain.size == (1067, 1600)  # upright, and no larger than asked
        assert not plain.getexif() and "comment" not in plain.info
        red, _, blue = plain.getpixel((500, 100))
        assert red > 200 > 50 > blue  # orientation 6: what lay on the left is on top
    assert b"secret" not in data and b"script" not in data
    assert not [path for path in server.desk.photos._folder.path.rglob("*") if path.is_file()]
    assert browser.post(f"/jobs/{job}/checks", told).status == 400  # used once


def test_of_a_phone_s_own_format_it_is_said_how_to_get_a_jpeg(store, browser):
    """Where the browser could not make a JPEG of it itself. Brand of the file: ISO/IEC 23008-12 (from memory)."""
    got = put(browser, new_job(store), b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(5000))
    assert got.status == 409 and "HEIC" in got.text and "choose JPEG" in got.text


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "GIF"])
def test_other_pictures_become_jpeg(store, server, browser, kind):
    job = new_job(store)
    told = {"step": "air", "result": "pass", "photo": put(browser, job, picture(kind, (60, 40)), "air").json["id"]}
    assert browser.post(f"/jobs/{job}/checks", told).status == 303
    assert browser.ask("GET", f"/jobs/{job}/checks/1/photo").body.startswith(b"\xff\xd8\xff")


@pytest.mark.parametrize(
    "data",
    [b"", b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>", b"GIF89a<script>alert(1)</script>",
     b"<html><script>alert(1)</script>", picture()[:500], b"\xff\xd8\xff" + bytes(1000), picture("TIFF", (30, 20))],
    ids=["empty", "svg", "gif", "html", "cut", "zeros", "tiff"],
)  # fmt: skip
def test_what_is_no_photo_is_refused_in_words(store, server, browser, data):
    job = new_job(store)
    got = put(browser, job, data)
    assert got.status == 409 and "photo is not taken" in got.json["problem"], got.text
    assert browser.get(f"/jobs/{job}").status == 200


def test_a_small_file_that_claims_to_be_huge(store):
    """A PNG of a few kB whose pixels would fill the memory is refused by its head, or ends its own process only."""
    bomb, large = io.BytesIO(), io.BytesIO()
    Image.new("1", (20_000, 20_000)).save(bomb, "PNG")
    Image.new("1", (10_000, 9_000)).save(large, "PNG")  # the decoder itself takes this one
    assert len(bomb.getvalue()) < 100_000
    with Server(Settings(store=store, port=0)) as server:
        browser = Browser(server)
        browser.get("/")
        job = new_job(store)
        told = [put(browser, job, each.getvalue()) for each in (bomb, large)]
        assert [each.status for each in told] == [409, 409] and "10000 x 9000 pixels" in told[1].text
    with Server(Settings(store=store, port=0, bounds=bounds(photo_mpx=1000, photo_memory_mb=300))) as server:
        browser = Browser(server)
        browser.get("/")
        assert put(browser, 1, bomb.getvalue()).status == 409
        assert browser.get("/jobs/1").status == 200


def test_a_photo_too_large_never_comes_in(store, server, browser):
    told = {"X_Csrf_Token": browser.csrf, "Content_Length": "8000001"}
    assert browser.ask("PUT", f"/jobs/{new_job(store)}/photos/spark", b"", **told).status == 413


def test_photos_ask_for_token_origin_job_and_step(store, server, browser):
    job = new_job(store)
    path, data = f"/jobs/{job}/photos/spark", picture(size=(30, 20))
    assert browser.ask("PUT", path, data).status == 403
    evil = {"X_Csrf_Token": browser.csrf, "Origin": "https://evil.example"}
    assert browser.ask("PUT", path, data, **evil).status == 403
    assert put(browser, 99, data).status == 404
    for step in ("nonsense", "..%2f..%2fx", "%2e%2e"):
        assert put(browser, job, data, step).status in (400, 404, 405)
    other = new_job(store, "pump Heron")
    told = {"step": "spark", "result": "pass", "photo": put(browser, job, data).json["id"]}
    assert browser.post(f"/jobs/{other}/checks", told).status == 400  # a photo of another job
    assert browser.post(f"/jobs/{job}/checks", told | {"photo": "../../x"}).status == 400
    with open_store(store) as opened:
        assert not opened.record(job).checks and not opened.record(other).checks


def test_a_check_whose_answer_got_lost_is_written_down_once_with_its_photo(store, server, browser):
    """The page sends the kept photo again, then the same form: the photo has the same id, so the form is the same."""
    job, photo = new_job(store), picture()
    told = {"step": "spark", "result": "fail", "once": "abcdefghijkl"}
    for _ in range(2):
        sent = told | {"photo": put(browser, job, photo).json["id"]}
        assert browser.post(f"/jobs/{job}/checks", sent).status == 303
    with open_store(store) as opened:
        [check] = opened.record(job).checks
    assert check.photo_name == "spark.jpg"
    again = sent | {"once": "mnopqrstuvwx"}  # another tick with the same photo, which has come once more, is meant
    assert browser.post(f"/jobs/{job}/checks", again).status == 303
    with open_store(store) as opened:
        assert len(opened.record(job).checks) == 2


def test_a_photo_sent_again_is_the_one_that_waits(store, server, browser):
    """As after a reload of the page; the same for another step or job is another."""
    job, other = new_job(store), new_job(store, "pump Heron")
    data = picture(size=(30, 20))
    first = put(browser, job, data).json["id"]
    assert put(browser, job, data).json["id"] == first
    assert first not in {put(browser, job, data, "air").json["id"], put(browser, other, data).json["id"]}
    told = {"step": "spark", "result": "pass", "photo": first}
    assert browser.post(f"/jobs/{job}/checks", told).status == 303
    assert put(browser, job, data).json["id"] == first  # waits anew


def test_too_many_photos_wait_and_old_ones_are_forgotten(store):
    with Server(Settings(store=store, port=0, bounds=bounds(most_photos=2))) as server:
        browser = Browser(server)
        browser.get("/")
        job = new_job(store)
        assert [put(browser, job, picture(size=(30, 20 + n))).status for n in range(3)] == [201, 201, 409]
        server.desk.photos._clock = lambda: 1e12
        assert put(browser, job, picture(size=(30, 20))).status == 201
        assert len(server.desk.photos._kept) == 1
        folder = server.desk.photos._folder.path
    assert not folder.exists()


@pytest.mark.parametrize(
    ("name", "data", "kind"),
    [("photo.html", b"<html><script>alert(1)</script>", None), ("photo.svg", b"<svg onload='alert(1)'/>", None),
     ("photo.png", b"<script>alert(1)</script>", None), ("photo.png", picture("PNG", (3, 3)), "image/png"),
     ("photo.txt", picture("WEBP", (3, 3)), "image/webp")],
)  # fmt: skip
def test_what_lies_in_the_job_record_is_shown_only_as_a_picture(store, server, browser, tmp_path, name, data, kind):
    """An older job record may hold any file as a photo: only a picture is shown, all else is handed out as a file."""
    job = new_job(store)
    (tmp_path / name).write_bytes(data)
    with open_store(store) as opened:
        check = opened.tick(job, "spark", "pass", photo=tmp_path / name)
    got = browser.ask("GET", f"/jobs/{job}/checks/{check.id}/photo")
    assert got.headers["content-type"] == (kind or "application/octet-stream")
    assert ("attachment" in got.headers.get("content-disposition", "")) == (kind is None)
    assert got.headers["x-content-type-options"] == "nosniff"
    assert browser.ask("GET", f"/jobs/{job}/checks/99/photo").status == 404


def test_the_photo_worker_is_bound(tmp_path):
    command = [sys.executable, "-P", "-m", "enginelog.media.picture_worker", "1600", "80000000", "100000000", "5"]
    done = subprocess.run(command, input=picture(), capture_output=True, timeout=60)
    assert done.returncode != 0 and not done.stdout


def test_photos_do_not_outlive_the_server(tmp_path):
    photos = Photos(Settings(store=tmp_path / "s"))
    assert photos._folder.path.is_dir()
    photos.clear()
    assert not photos._folder.path.exists()
