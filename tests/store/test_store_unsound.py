"""A job record in which one entry is spoilt: nothing takes it as it is, and yet nothing of it is lost.

No outside source: the job record's own promises. What is spoilt is spoilt as by another program that wrote into it.
"""

import json
import sqlite3
import zipfile
import zlib

import make_runs
import pytest
from store_makers import fill, rows_of, run_of

from enginelog import analysis
from enginelog.cli import main
from enginelog.model import UnreadableError
from enginelog.store import back_up, open_store, restore
from enginelog.store.errors import StoreUnreadableError
from enginelog.store.portable import EXPORTED

SPOILT = [  # table, column, what stands there, and whether no CSV can be made
    ("work", "at_utc", "yesterday", True),
    ("work", "quantity", "many", False),
    ("machines", "assumed", "x", True),
    ("machines", "added_zone", "?", True),
    ("runs", "conditions", "x", True),
    ("analyses", "figures", "{", True),
    ("checks", "reading", float("inf"), False),
    ("checks", "result", "maybe", False),
    ("jobs", "complaint", "\x00a", False),
    ("jobs", "complaint", b"\x00\xff", False),
    ("files", "ending", "/../x", False),
]


def spoil(path, table: str, column: str, value) -> object:
    """Write into the first row of a table past all that asks; what stood there."""
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA ignore_check_constraints = ON")
        was = db.execute(f"SELECT {column} FROM {table} ORDER BY rowid").fetchone()[0]
        db.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = (SELECT min(rowid) FROM {table})", (value,))
    db.close()
    return was


@pytest.mark.parametrize(("table", "column", "value", "without"), SPOILT)
def test_what_is_spoilt_is_exported_put_right_and_imported(tmp_path, capsys, table, column, value, without):
    path, out, new = tmp_path / "shed.enginelog", tmp_path / "out", tmp_path / "new.enginelog"
    with open_store(path) as store:
        fill(store, tmp_path)
        rows = rows_of(store)
    was = spoil(path, table, column, value)
    with open_store(path) as store, pytest.raises(StoreUnreadableError, match="enginelog export FOLDER"):
        back_up(store, tmp_path / "shed.zip")
    assert main(["export", str(out), "--store", str(path)]) == 4
    err = capsys.readouterr().err
    assert f"{table}" in err and "written as it is" in err and "Traceback" not in err
    assert "record.json with a text editor" in err and f"enginelog import {out} --store NEW" in err
    assert ("no CSV tables were made" in err) == without == (not (out / "work.csv").exists())
    assert main(["import", str(out), "--store", str(new)]) == 4 or isinstance(value, bytes)
    document = json.loads((out / "record.json").read_text())
    document["tables"][table][0][column] = was
    (out / "record.json").write_text(json.dumps(document))
    new = tmp_path / "mended.enginelog"
    status = main(["import", str(out), "--store", str(new)])
    assert status == 0 or table == "files", capsys.readouterr().err
    with open_store(new) as store:
        mended = {name: entries for name, entries in rows_of(store).items() if name != "job_texts"}
    assert mended == {name: entries for name, entries in rows.items() if name != "job_texts"}


def damaged_records(kind: str, data: bytes) -> object:
    if kind == "a flipped bit":
        return data[:50] + bytes([data[50] ^ 1]) + data[51:]
    # Whole and with its sum, but what is packed is no JSON.
    packed = b"ELR\x01" + zlib.compress((8).to_bytes(4, "big") + b'{"codec"')
    return {"cut": data[:40], "junk": b"\x00\xff no record", "empty": b"", "text": "hello", "number": 7,
            "no JSON": packed + zlib.crc32(packed).to_bytes(4, "big"), "undecodable text": data}[kind]  # fmt: skip


@pytest.mark.parametrize(
    "kind", ["a flipped bit", "cut", "junk", "empty", "text", "number", "no JSON", "undecodable text"]
)
def test_a_damaged_record_of_a_run_goes_along_byte_by_byte_and_is_put_right_by_analysing_again(
    tmp_path, capsys, monkeypatch, kind
):
    path, out, new = tmp_path / "shed.enginelog", tmp_path / "out", tmp_path / "new.enginelog"
    clip = tmp_path / "clip.m4a"
    clip.write_bytes(b"clip")
    with open_store(path) as store:
        fill(store, tmp_path)
        job = store.take_in(store.remember("pump Heron")).id
        run = store.attach(job, run_of(b"clip", make_runs.healthy_generator), "after", recording=clip)
    with sqlite3.connect(path) as db:
        (was,) = db.execute("SELECT data FROM records WHERE analysis_id = ?", (run.analysis.id,)).fetchone()
        put = "CAST(? AS TEXT)" if kind == "undecodable text" else "?"
        db.execute(
            f"UPDATE records SET data = {put} WHERE analysis_id = ?", (damaged_records(kind, was), run.analysis.id)
        )
        query = "SELECT CAST(data AS BLOB) FROM records WHERE analysis_id = ?"
        (now,) = db.execute(query, (run.analysis.id,)).fetchone()
    db.close()
    readable = kind == "undecodable text"  # its bytes are as they were
    named = f"run {run.id}, analysis {run.analysis.id}"
    assert main(["verify", "--store", str(path)]) == 4
    err = capsys.readouterr().err
    assert named in err or (readable and "row" in err)
    assert main(["export", str(out), "--store", str(path)]) == (0 if readable else 4)
    err = capsys.readouterr().err
    assert (f"{named}: the record of this run is damaged" in err and "written as it is" in err) != readable
    assert "no import takes that" not in err and (out / "runs.csv").exists()
    assert main(["import", str(out), "--store", str(new)]) == (0 if readable else 4)
    with open_store(path) as store, open_store(new) as other:
        assert [list(other.all_rows(table)) for table in EXPORTED] == [
            list(store.all_rows(table)) for table in EXPORTED
        ]
        assert dict((row["analysis_id"], row["data"]) for row in other.all_rows("records"))[run.analysis.id] == now
    capsys.readouterr()
    if readable:
        assert main(["verify", "--store", str(new)]) == 0
        return
    assert main(["job", str(job), "--store", str(new)]) == 4
    assert f"run {run.id}: the record" in (err := capsys.readouterr().err) and f"enginelog reanalyse {run.id}" in err
    monkeypatch.setattr(analysis, "analyse", lambda *_, **__: run_of(b"clip", make_runs.healthy_generator))
    assert main(["reanalyse", str(run.id), "--store", str(new)]) == 0
    capsys.readouterr()
    assert main(["verify", "--store", str(new)]) == 0 and main(["job", str(job), "--store", str(new)]) == 0
    assert "a newer result of the run counts" in capsys.readouterr().err
    assert main(["export", str(tmp_path / "again"), "--store", str(new)]) == 0
    with open_store(new) as store:
        assert dict((row["analysis_id"], row["data"]) for row in store.all_rows("records"))[run.analysis.id] == now


def test_a_run_with_a_damaged_record_and_no_recording_can_be_taken_back(tmp_path, capsys):
    path = tmp_path / "shed.enginelog"
    with open_store(path) as store:
        job = store.take_in(store.remember("pump Heron")).id
        run = store.attach(job, run_of(b"clip", make_runs.healthy_generator), "after")
    spoil(path, "records", "data", b"junk")
    assert main(["move", str(run.id), "99", "--store", str(path)]) == 4
    assert f"run {run.id}: the record" in capsys.readouterr().err
    assert main(["drop", "run", str(run.id), "--store", str(path)]) == 0
    assert main(["job", str(job), "--store", str(path)]) == 0


def test_each_row_is_a_line_in_the_order_of_its_number(tmp_path):
    """As the message promises to whoever looks for the row in a text editor."""
    with open_store(tmp_path / "shed.enginelog") as store:
        fill(store, tmp_path)
    assert main(["export", str(tmp_path / "out"), "--store", str(tmp_path / "shed.enginelog")]) == 0
    lines = (tmp_path / "out" / "record.json").read_text().split('"checks": [')[1].split("]")[0].strip().splitlines()
    assert [json.loads(line.rstrip(","))["id"] for line in lines] == [1, 2]


def test_a_backup_in_which_an_entry_is_spoilt_says_how_to_save_it(tmp_path, capsys):
    """Its message, followed word for word."""
    path, zipped = tmp_path / "shed.enginelog", tmp_path / "shed.zip"
    with open_store(path) as store:
        fill(store, tmp_path)
        back_up(store, zipped)
    there = tmp_path / "unzipped"
    with zipfile.ZipFile(zipped) as pack:
        pack.extractall(there)
    was = spoil(there / "store.enginelog", "work", "at_utc", "yesterday")
    repack(there, zipped)
    with pytest.raises(UnreadableError, match="unzip it, rename its folder files to store.enginelog.files") as refused:
        restore(zipped, tmp_path / "back.enginelog")
    assert "row 1 of work: at_utc is 'yesterday'" in str(refused.value)
    assert not (tmp_path / "back.enginelog").exists()
    (there / "files").rename(there / "store.enginelog.files")
    out = tmp_path / "out"
    assert main(["export", str(out), "--store", str(there / "store.enginelog")]) == 4
    text = (out / "record.json").read_text()
    (out / "record.json").write_text(text.replace("yesterday", was))
    assert main(["import", str(out), "--store", str(tmp_path / "new.enginelog")]) == 0
    with open_store(tmp_path / "new.enginelog") as store:
        assert store.verify() == () and len(list(store.files.names())) == 3


def test_what_is_no_store_is_not_told_to_be_opened(tmp_path):
    with open_store(tmp_path / "shed.enginelog") as store:
        fill(store, tmp_path)
        back_up(store, tmp_path / "shed.zip")
    there = tmp_path / "unzipped"
    with zipfile.ZipFile(tmp_path / "shed.zip") as pack:
        pack.extractall(there)
    with sqlite3.connect(there / "store.enginelog") as db:
        db.execute("CREATE TABLE other (x)")
    db.close()
    repack(there, tmp_path / "shed.zip")
    with pytest.raises(UnreadableError) as refused:
        restore(tmp_path / "shed.zip", tmp_path / "back.enginelog")
    assert "unzip" not in str(refused.value)


def repack(folder, zipped):
    """The backup again, with the store of this folder and its sums."""
    import hashlib

    manifest = json.loads((folder / "manifest.json").read_text())
    data = (folder / "store.enginelog").read_bytes()
    manifest["entries"]["store.enginelog"] = {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
    (folder / "manifest.json").write_text(json.dumps(manifest))
    with zipfile.ZipFile(zipped, "w") as pack:
        for name in (*manifest["entries"], "manifest.json"):
            pack.write(folder / name, name)
