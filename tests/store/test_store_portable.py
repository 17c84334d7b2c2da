"""Export, import, CSV, backup and restore: without loss, all or nothing, and nothing foreign gets in."""

import csv
import io
import json
import sqlite3
import zipfile
from pathlib import Path

import make_runs
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from store_makers import fill, rows_of, same

from enginelog.model import UnreadableError, UsageError
from enginelog.store import StoreNotWrittenError, back_up, export_to, import_from, open_store, restore, tables
from enginelog.store.portable import EXPORTED
from enginelog.store.schema import VERSION

# Any character but NUL (which no text of a store may hold) and halves of characters (kept as escapes).
TEXTS = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=60)


def assert_equal(one, other):
    """Two stores hold the same: every row, the numbers to come, every file, every run."""
    assert rows_of(one) == rows_of(other) and one.next_numbers() == other.next_numbers()
    assert {s: p.read_bytes() for s, p in one.files.names().items()} == {
        s: p.read_bytes() for s, p in other.files.names().items()
    }
    for row in one.all_rows("jobs"):
        assert same(one.record(row["id"]), other.record(row["id"]))
    assert other.verify() == ()


def test_an_export_imported_again_is_an_equal_store(store, tmp_path):
    fill(store, tmp_path)
    store.drop("job", 2)
    store.purge()
    made = export_to(store, tmp_path / "out")
    assert (made.jobs, made.runs, made.files) == (1, 1, 3)
    with open_store(tmp_path / "new.enginelog") as new:
        assert import_from(new, tmp_path / "out").missing == ()
        assert_equal(store, new)
        assert new.take_in("tiller Marigold").id == 4, "numbers of purged jobs are not given again"


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(TEXTS, TEXTS)
def test_odd_texts_survive_export_and_backup(tmp_path_factory, first, second):
    folder = tmp_path_factory.mktemp("odd")
    with open_store(folder / "a.enginelog") as store:
        with store.transaction():
            fill(store, folder, (first, second))
        assert store.record(1).job.complaint == first and store.record(1).checks[1].note == second
        export_to(store, folder / "out")
        back_up(store, folder / "a.zip")
        restore(folder / "a.zip", folder / "c.enginelog")
        with open_store(folder / "b.enginelog") as imported, open_store(folder / "c.enginelog") as restored:
            import_from(imported, folder / "out" / "record.json")
            assert_equal(store, imported)
            assert_equal(store, restored)
        for name in ("jobs.csv", "checks.csv", "work.csv", "runs.csv", "machines.csv"):
            check_cells(folder / "out" / name, store)


def check_cells(path: Path, store):
    """No cell would be a formula, and without its apostrophe each is a text that was put in."""
    rows = list(csv.reader(io.StringIO(path.read_bytes().decode("utf-8-sig"), newline="")))
    assert len({len(row) for row in rows}) == 1
    for cell in (cell for row in rows[1:] for cell in row):
        assert not cell.lstrip(" ").startswith(tables.FORMULA_STARTS), (path.name, cell)


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "  =1", "\uff1d1", "=cmd|' /C calc'!A0", "-", "+"]
)
def test_no_cell_is_a_formula(text):
    """The starting characters are those of OWASP's page on CSV injection (with the wide forms)."""
    line = tables.csv_text([{"a": text}], ("a",)).splitlines(keepends=True)[1:]
    assert "".join(line).startswith("\"'") and tables.safe_cell(text) == f"'{text}"


def test_numbers_stay_numbers_and_separators_of_other_countries_do_not_split(store, tmp_path):
    job = store.take_in(store.remember("pump Heron"), 'a;=1+1,"b"')
    store.add_work(job.id, "part", "plug", 450, 10)
    store.tick(job.id, "spark", "fail", reading=-1.5, unit="mm")
    made = tables.csv_tables(store)
    assert '"a;=1+1,""b"""' in made["jobs.csv"]
    assert ",-1.5," in made["checks.csv"] and ",4.5," in made["work.csv"]
    assert list(csv.DictReader(io.StringIO(made["work.csv"])))[0]["cost"] == "4.5"


def test_what_was_assumed_of_a_machine_is_said_beside_it(store):
    """Four strokes that nobody told looked like four told ones; the new column stands last, where it moves none."""
    store.remember("pump Heron", assumed=("strokes", "cylinders"))
    store.remember("saw Badger", strokes=2, assumed=("cylinders",))
    rows = list(csv.DictReader(io.StringIO(tables.csv_tables(store)["machines.csv"])))
    assert list(rows[0])[-1] == "assumed"
    assert [(row["strokes"], row["assumed"]) for row in rows] == [
        ("4", "strokes cylinders"), ("2", "cylinders")]  # fmt: skip


def test_an_export_is_of_one_moment_whatever_another_program_writes_meanwhile(store, tmp_path, monkeypatch):
    fill(store, tmp_path)
    made = tables.csv_tables

    def meanwhile(opened):
        with open_store(store.path) as other:
            job = other.take_in("tiller Marigold", "written meanwhile")
            other.add_work(job.id, "part", "plug")
            other.drop("run", 1)
            other.purge()
        return made(opened)

    monkeypatch.setattr(tables, "csv_tables", meanwhile)
    assert export_to(store, tmp_path / "out").jobs == 3
    with open_store(tmp_path / "new.enginelog") as new:
        assert import_from(new, tmp_path / "out").missing == ()
        assert new.jobs("meanwhile") == () and new.record(1).runs and len(store.jobs("meanwhile")) == 1


def test_dropped_entries_are_in_the_document_and_not_in_the_tables(store, tmp_path):
    fill(store, tmp_path)
    export_to(store, tmp_path / "out", with_files=False)
    document = json.loads((tmp_path / "out" / "record.json").read_text("ascii"))
    assert len(document["tables"]["jobs"]) == 3 and set(document["tables"]) == set(EXPORTED)
    assert len(list(csv.reader((tmp_path / "out" / "jobs.csv").open(encoding="utf-8-sig")))) == 3
    assert not (tmp_path / "out" / "files").exists()


def test_files_that_are_not_beside_the_document_are_named(store, tmp_path):
    fill(store, tmp_path)
    export_to(store, tmp_path / "out", with_files=False)
    with open_store(tmp_path / "new.enginelog") as new:
        missing = import_from(new, tmp_path / "out").missing
        assert len(missing) == 3 and rows_of(new) == rows_of(store)


def test_an_export_does_not_write_over_anything(store, tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("x")
    with pytest.raises(UsageError, match="empty one"):
        export_to(store, tmp_path / "out")
    with pytest.raises(StoreNotWrittenError):
        export_to(store, tmp_path / "out" / "mine.txt" / "below")


def test_an_import_goes_into_an_empty_store_alone(store, tmp_path):
    fill(store, tmp_path)
    export_to(store, tmp_path / "out")
    with pytest.raises(UsageError, match="holds entries already"):
        import_from(store, tmp_path / "out")


def set_in(table, row, name, value):
    return lambda document: document["tables"][table][row].__setitem__(name, value)


SPOILT = {
    "newer": lambda document: document.__setitem__("version", VERSION + 1),
    "no version": lambda document: document.pop("version"),
    "true as version": lambda document: document.__setitem__("version", True),
    "other schema": lambda document: document.__setitem__("schema", "birds/1"),
    "a table less": lambda document: document["tables"].pop("work"),
    "a table more": lambda document: document["tables"].__setitem__("birds", []),
    "a table no list": lambda document: document["tables"].__setitem__("work", {}),
    "a row no object": lambda document: document["tables"]["work"].append(5),
    "a column less": lambda document: document["tables"]["work"][0].pop("text"),
    "a column more": set_in("work", 0, "colour); DROP TABLE jobs; --", 1),
    "number as text": set_in("jobs", 0, "complaint", 5),
    "text as number": set_in("work", 0, "cost_cents", "450"),
    "true as number": set_in("work", 0, "cost_cents", True),
    "half a cent": set_in("work", 0, "cost_cents", 4.5),
    "negative cost": set_in("work", 0, "cost_cents", -1),
    "too large": set_in("work", 0, "cost_cents", 1 << 70),
    "not finite": set_in("checks", 0, "reading", float("inf")),
    "huge": set_in("checks", 0, "reading", 10**400),
    "no such job": set_in("work", 0, "job_id", 99),
    "same number twice": set_in("jobs", 1, "id", 1),
    "absurd time": set_in("jobs", 0, "opened_utc", "2026-99-01T00:00:00Z"),
    "no time": set_in("jobs", 0, "opened_utc", None),
    "absurd zone": set_in("jobs", 0, "opened_zone", "moon"),
    "unknown state": set_in("jobs", 0, "state", "lost"),
    "NUL": set_in("jobs", 0, "complaint", "a\x00b"),
    "half a character": set_in("jobs", 0, "complaint", "\ud800"),
    "endless text": set_in("jobs", 0, "complaint", "x" * 300_000),
    "path as hash": set_in("files", 0, "sha256", "../" * 21 + "x"),
    "path as ending": set_in("files", 0, "ending", "/../../x"),
    "angles no list": set_in("machines", 0, "firing_angles_deg", "5"),
    "angles of text": set_in("machines", 0, "firing_angles_deg", '["a"]'),
    "angles broken": set_in("machines", 0, "firing_angles_deg", "["),
    "other key": set_in("machines", 0, "label_key", "x"),
    "seven strokes": set_in("machines", 0, "strokes", 7),
    "conditions of numbers": set_in("runs", 0, "conditions", "[1]"),
    "figures of text": set_in("analyses", 0, "figures", '{"rpm": "fast"}'),
    "figures no object": set_in("analyses", 0, "figures", "[]"),
    "record no base64": set_in("records", 0, "data", "\u00e9"),
    "record a number": set_in("records", 0, "data", 5),
    "record gone": lambda document: document["tables"]["records"].pop(),
    "analysis gone": lambda document: [document["tables"][name].clear() for name in ("records", "analyses")],
    "recording gone": lambda document: document["tables"]["files"].pop(
        next(n for n, row in enumerate(document["tables"]["files"]) if row["ending"] == ".m4a")
    ),
    "next numbers gone": lambda document: document.pop("next_numbers"),
    "next numbers absurd": lambda document: document["next_numbers"].__setitem__("jobs", -5),
    "next numbers of no table": lambda document: document["next_numbers"].__setitem__("x; --", 5),
}


@pytest.fixture(scope="module")
def exported(tmp_path_factory):
    folder = tmp_path_factory.mktemp("exported")
    with open_store(folder / "a.enginelog") as store:
        fill(store, folder)
        export_to(store, folder / "out")
    return folder / "out"


def test_the_document_spoilt_below_is_a_good_one(exported, tmp_path):
    with open_store(tmp_path / "new.enginelog") as new:
        assert import_from(new, exported).jobs == 3


@pytest.mark.parametrize("name", SPOILT)
def test_a_spoilt_document_is_refused_whole(exported, tmp_path, name):
    document = json.loads((exported / "record.json").read_text("ascii"))
    SPOILT[name](document)
    spoilt = tmp_path / "record.json"
    spoilt.write_text(json.dumps(document), "ascii")
    with open_store(tmp_path / "new.enginelog") as new:
        with pytest.raises(UnreadableError, match="nothing was imported") as refused:
            import_from(new, spoilt)
        assert "\n" not in str(refused.value)
        assert not any(new.count(table) for table in EXPORTED), "all or nothing"


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b"\xff\xfe", b'{"schema": NaN}', b"[" * 100_000, b"5"])
def test_what_is_no_document_is_refused(tmp_path, content):
    (tmp_path / "record.json").write_bytes(content)
    with open_store(tmp_path / "new.enginelog") as new, pytest.raises(UnreadableError, match="nothing was imported"):
        import_from(new, tmp_path)


def test_a_document_that_is_not_there_or_too_large_is_refused(tmp_path, monkeypatch, exported):
    from enginelog.store import portable

    with open_store(tmp_path / "new.enginelog") as new:
        with pytest.raises(UnreadableError, match="cannot be read"):
            import_from(new, tmp_path / "none")
        monkeypatch.setattr(portable, "LARGEST_DOCUMENT", 1000)
        with pytest.raises(UnreadableError, match="larger than"):
            import_from(new, exported)


# ---------------------------------------------------------------- backup and restore


def test_a_backup_restored_is_an_equal_store(store, tmp_path):
    fill(store, tmp_path)
    made = back_up(store, tmp_path / "a.zip")
    assert made.files == 3 and made.missing == () and made.bytes == (tmp_path / "a.zip").stat().st_size
    assert zipfile.ZipFile(tmp_path / "a.zip").testzip() is None, "any zip program opens it"
    back = restore(tmp_path / "a.zip", tmp_path / "deep" / "er" / "b.enginelog")
    assert back.set_aside is None
    with open_store(back.path) as restored:
        assert_equal(store, restored)
    assert not [entry for entry in tmp_path.rglob("*") if "restoring" in entry.name or entry.name.endswith(".part")]


def test_nothing_is_written_over_unless_told_and_the_old_is_kept_aside(store, tmp_path):
    fill(store, tmp_path)
    back_up(store, tmp_path / "a.zip")
    with pytest.raises(UsageError, match="exists already"):
        back_up(store, tmp_path / "a.zip")
    back_up(store, tmp_path / "a.zip", replace=True)
    other = tmp_path / "b.enginelog"
    with open_store(other) as old:
        old.take_in(old.remember("pump Heron"), "the old one")
        old.files.put_bytes(b"old file", "x.m4a")
    with pytest.raises(UsageError, match="puts it aside"):
        restore(tmp_path / "a.zip", other)
    aside = restore(tmp_path / "a.zip", other, replace=True).set_aside
    with open_store(aside) as old, open_store(other) as new:
        assert old.jobs()[0].job.complaint == "the old one" and len(old.files.names()) == 1
        assert_equal(store, new)


def test_a_store_another_program_has_open_is_not_put_aside(store, tmp_path):
    store.take_in(store.remember("pump Heron"), "hunts")
    back_up(store, tmp_path / "a.zip")
    with pytest.raises(StoreNotWrittenError, match="has this store open"):
        restore(tmp_path / "a.zip", store.path, replace=True)
    assert len(store.jobs("hunts")) == 1
    store.close()
    assert restore(tmp_path / "a.zip", store.path, replace=True).set_aside


@pytest.mark.parametrize("step", range(5))
def test_a_restore_broken_off_leaves_the_store_as_it_was(tmp_path, monkeypatch, step):
    """By Ctrl-C at each of its renames, of which some are between the old one's going and the new one's coming."""
    from enginelog.store import aside

    path, other = tmp_path / "a.enginelog", tmp_path / "b.enginelog"
    for place, said in ((path, "the old one"), (other, "the new one")):
        with open_store(place) as made:
            fill(made, tmp_path)
            made.take_in(made.remember("pump Heron"), said)
            back_up(made, place.with_suffix(".zip"))
    count = [0]

    def counted(rename):
        def renamed(*names):
            count[0] += 1
            if count[0] == step + 1:
                raise KeyboardInterrupt
            return rename(*names)

        return renamed

    with monkeypatch.context() as broken:
        broken.setattr(aside.os, "replace", counted(aside.os.replace))
        broken.setattr(aside.os, "rename", counted(aside.os.rename))
        try:
            restore(tmp_path / "b.zip", path, replace=True)
            done = True
        except KeyboardInterrupt:
            done = False
    with open_store(path) as now:
        assert bool(now.jobs("the new one")) == done != bool(now.jobs("the old one"))
        assert now.verify() == ()


def test_a_damaged_store_can_be_put_aside_for_a_backup(tmp_path):
    path = tmp_path / "a.enginelog"
    with open_store(path) as store:
        fill(store, tmp_path)
        back_up(store, tmp_path / "a.zip")
    path.write_bytes(b"\xa5" * 9000)
    aside = restore(tmp_path / "a.zip", path, replace=True).set_aside
    assert aside.read_bytes() == b"\xa5" * 9000
    with open_store(path) as store:
        assert store.verify() == ()


def test_a_backup_made_while_another_program_writes_is_whole(store, tmp_path):
    fill(store, tmp_path)
    with open_store(store.path) as other, other.transaction():
        other.take_in("tiller Marigold", "not finished yet")
        back_up(store, tmp_path / "a.zip")
    restore(tmp_path / "a.zip", tmp_path / "b.enginelog")
    with open_store(tmp_path / "b.enginelog") as restored:
        assert restored.verify() == () and restored.jobs("finished") == () and len(store.jobs("finished")) == 1


def test_a_backup_names_files_that_are_gone(store, tmp_path):
    fill(store, tmp_path)
    lost = next(iter(store.files.names().values()))
    lost.unlink()
    made = back_up(store, tmp_path / "a.zip")
    assert made.missing == (lost.name,) and made.damaged == ()


@pytest.mark.parametrize("replace", [False, True])
def test_a_backup_into_a_folder_that_is_not_there_or_onto_one_is_said_by_the_name_given(store, tmp_path, replace):
    (tmp_path / "shed").mkdir()
    for name, said in (
        ("stick/shed.zip", "shed.zip: there is no folder .*stick;"),
        ("shed", "shed: this is a folder;"),
    ):
        with pytest.raises(UsageError, match=said):
            back_up(store, tmp_path / name, replace)
    assert not (tmp_path / "stick").exists() and list((tmp_path / "shed").iterdir()) == []


def test_an_empty_store_is_not_written_over_a_backup(store, tmp_path):
    """As where another terminal has ENGINELOG_STORE not set: the last backup would be gone."""
    fill(store, tmp_path)
    back_up(store, tmp_path / "a.zip")
    kept = (tmp_path / "a.zip").read_bytes()
    with open_store(tmp_path / "other.enginelog") as other:
        with pytest.raises(UsageError, match="not written over: .*other.enginelog holds no job"):
            back_up(other, tmp_path / "a.zip", replace=True)
        assert (tmp_path / "a.zip").read_bytes() == kept and back_up(other, tmp_path / "b.zip").files == 0
    back_up(store, tmp_path / "a.zip", replace=True)


def test_a_full_disk_elsewhere_is_not_said_of_the_job_record(store, tmp_path, monkeypatch):
    """SQLite's max_page_count makes the error of a full disk (SQLITE_FULL) on the copy alone."""
    from enginelog.store import backup, whole_files

    fill(store, tmp_path)
    connect = sqlite3.connect

    def small(path, *more, **named):
        made = connect(path, *more, **named)
        made.execute("PRAGMA max_page_count = 2")
        return made

    monkeypatch.setattr(backup.sqlite3, "connect", small)
    with pytest.raises(StoreNotWrittenError, match=r"stick\.zip: not kept: the disk is full; make room and try again"):
        back_up(store, tmp_path / "stick.zip")
    monkeypatch.setattr(backup.sqlite3, "connect", connect)

    def full(target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(whole_files, "flush", full)
    with pytest.raises(StoreNotWrittenError, match="out: not kept: the disk is full"):
        export_to(store, tmp_path / "out")


@pytest.mark.parametrize("place", ["new", "there"])
@pytest.mark.parametrize(("theirs", "error"), [("theirs.txt", OSError(28, "No space left")), ("record.json", None)])
def test_what_another_program_put_there_stays_when_an_export_breaks_off(
    store, tmp_path, monkeypatch, place, theirs, error
):
    """Under a name of the export's own, too: that is what breaks it off then."""
    from enginelog.store import whole_files

    fill(store, tmp_path)
    out = tmp_path / "out" / place
    (tmp_path / "out" / "there").mkdir(parents=True)

    def meanwhile(target):
        (out / theirs).write_text("kept")
        if error:
            raise error

    monkeypatch.setattr(whole_files, "flush", meanwhile)
    with pytest.raises(StoreNotWrittenError):
        export_to(store, out)
    assert [(each.name, each.read_text()) for each in out.rglob("*")] == [(theirs, "kept")]


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
@pytest.mark.parametrize("place", ["new", "there", "deep/below"])
def test_an_export_that_breaks_off_leaves_no_part_of_itself(store, tmp_path, monkeypatch, error, place):
    """A part looks like an export, and stands in the way of the next one; a folder that was there stays."""
    from enginelog.store import whole_files

    fill(store, tmp_path)
    (tmp_path / "out" / "there").mkdir(parents=True)
    flush, count = whole_files.flush, [0]

    def full(target):
        count[0] += 1
        if count[0] > 5:
            raise error
        flush(target)

    monkeypatch.setattr(whole_files, "flush", full)
    with pytest.raises((StoreNotWrittenError, KeyboardInterrupt)):
        export_to(store, tmp_path / "out" / place)
    assert [each.name for each in (tmp_path / "out").rglob("*")] == ["there"]
    monkeypatch.setattr(whole_files, "flush", flush)
    assert export_to(store, tmp_path / "out" / place).jobs


def test_a_backup_that_cannot_be_written_leaves_nothing(store, tmp_path, monkeypatch):
    from enginelog.store import whole_files

    def full(target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(whole_files, "flush", full)
    (tmp_path / "out").mkdir()
    with pytest.raises(StoreNotWrittenError, match="the disk is full"):
        back_up(store, tmp_path / "out" / "a.zip")
    assert list((tmp_path / "out").iterdir()) == []


def packed(path, entries, manifest):
    with zipfile.ZipFile(path, "w") as pack:
        for name, content in entries.items():
            pack.writestr(name, content)
        if manifest is not None:
            pack.writestr("manifest.json", manifest if isinstance(manifest, str) else json.dumps(manifest))


def about(entries, **changes):
    import hashlib

    described = {name: {"bytes": len(c), "sha256": hashlib.sha256(c).hexdigest()} for name, c in entries.items()}
    return {"schema": "enginelog/backup/1", "version": VERSION, "program_version": "0", "entries": described} | changes


GOOD = {"store.enginelog": b"SQLite format 3\0" + bytes(100)}
EVIL = {
    "no manifest": (GOOD, None),
    "manifest no JSON": (GOOD, "{"),
    "manifest a list": (GOOD, "[]"),
    "other schema": (GOOD, about(GOOD, schema="x")),
    "newer": (GOOD, about(GOOD, version=VERSION + 1)),
    "no database": ({}, about({})),
    "no store in it": (GOOD, about(GOOD)),
    "an entry more": (GOOD | {"files/x": b""}, about(GOOD)),
    "path upward": (GOOD | {"../evil": b"x"}, about(GOOD | {"../evil": b"x"})),
    "path in files": (GOOD | {"files/../../evil": b"x"}, about(GOOD | {"files/../../evil": b"x"})),
    "absolute path": (GOOD | {"/evil": b"x"}, about(GOOD | {"/evil": b"x"})),
    "other content": (GOOD, about({"store.enginelog": b"x" * 116})),
    "other size": (GOOD, about({"store.enginelog": b"x"})),
    "size no number": (GOOD, about(GOOD) | {"entries": {"store.enginelog": {"bytes": "9", "sha256": ""}}}),
}


@pytest.mark.parametrize("name", EVIL)
def test_a_backup_that_is_none_is_refused_and_changes_nothing(tmp_path, name):
    packed(tmp_path / "a.zip", *EVIL[name])
    with open_store(tmp_path / "mine" / "b.enginelog") as store:
        store.take_in(store.remember("pump Heron"))
    with pytest.raises(UnreadableError, match="nothing was restored") as refused:
        restore(tmp_path / "a.zip", tmp_path / "mine" / "b.enginelog", replace=True)
    assert "\n" not in str(refused.value)
    assert [entry.name for entry in (tmp_path / "mine").iterdir()] == ["b.enginelog"]
    assert not (tmp_path / "evil").exists()


def test_a_damaged_backup_is_refused_wherever_the_damage_is(store, tmp_path):
    fill(store, tmp_path)
    back_up(store, tmp_path / "a.zip")
    sound = (tmp_path / "a.zip").read_bytes()
    assert len(sound) > 2000
    for at in range(0, len(sound), len(sound) // 60):
        broken = bytearray(sound)
        broken[at : at + 8] = bytes(byte ^ 0x5A for byte in broken[at : at + 8])
        (tmp_path / "b.zip").write_bytes(broken)
        target = tmp_path / f"at-{at}" / "b.enginelog"
        try:
            restore(tmp_path / "b.zip", target)
        except UnreadableError as refused:
            assert "\n" not in str(refused) and not target.exists()
        else:  # what was hit has no meaning (a time stamp, say): then the store must be equal
            with open_store(target) as restored:
                assert_equal(store, restored)


@pytest.mark.parametrize("name", ["none.zip", "."])
def test_a_backup_that_is_not_there_is_said(tmp_path, name):
    with pytest.raises(UnreadableError):
        restore(tmp_path / name, tmp_path / "b.enginelog")
    assert not (tmp_path / "b.enginelog").exists()


def test_a_damaged_store_is_not_backed_up_as_if_it_were_sound(tmp_path):
    path = tmp_path / "a.enginelog"
    with open_store(path) as store:
        fill(store, tmp_path)
        rows = store._rows("SELECT rootpage FROM sqlite_master WHERE name = 'work'")
    data = bytearray(path.read_bytes())
    start = (rows[0][0] - 1) * 4096
    data[start : start + 4096] = b"\xa5" * 4096
    path.write_bytes(data)
    with open_store(path) as store, pytest.raises(UnreadableError, match="damaged"):
        back_up(store, tmp_path / "a.zip")
    assert not (tmp_path / "a.zip").exists()


def test_figures_in_csv_have_no_more_digits_than_are_known_and_bring_their_doubt(store):
    from enginelog.store.tables import csv_tables

    job = store.take_in(store.remember("pump Heron"))
    store.attach(job.id, make_runs.hunting_pump(), "before")
    row = next(csv.DictReader(io.StringIO(csv_tables(store)["runs.csv"])))
    numbers = [cell for name, cell in row.items() if name.endswith(("rpm", "_s", "_percent"))]
    assert row["rpm"] and all(len(cell.partition(".")[2]) <= 3 for cell in numbers)
    assert 0 < float(row["speed_confidence"]) <= 1 and row["or_rpm"] == ""
