"""Backups of a store of which a file is spoilt, and what a restore or a backup leaves that is killed at any moment."""

import errno
import json
import os
import re
import zipfile
from pathlib import Path

import pytest
from store_makers import fill, rows_of

from enginelog.model import UnreadableError, UsageError
from enginelog.store import StoreNotWrittenError, aside, back_up, export_to, open_store, restore
from enginelog.store.passing import passing_folder

killed = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


def spoil(path):
    data = bytearray(path.read_bytes())
    data[0] ^= 0x5A
    path.write_bytes(data)
    return path


def test_a_spoilt_file_goes_into_the_backup_and_out_of_it_and_is_named(store, tmp_path):
    fill(store, tmp_path)
    bad = spoil(next(iter(store.files.names().values())))
    made = back_up(store, tmp_path / "a.zip")
    assert made.damaged == (bad.name,) and made.missing == () and made.files == 3
    back = restore(tmp_path / "a.zip", tmp_path / "b.enginelog")
    assert back.damaged == (bad.name,) and back.files == 3
    with open_store(back.path) as restored:
        assert rows_of(restored) == rows_of(store)
        assert [problem.where for problem in restored.verify()] == [bad.name]
        assert (restored.files.folder / bad.name).read_bytes() == bad.read_bytes()


class FailsMidway:
    """A file on a disk with a spot gone bad: its first bytes come, then errno EIO."""

    def __init__(self, stream):
        self.stream, self.reads = stream, 0

    def read(self, size=-1):
        self.reads += 1
        if self.reads > 1:
            raise OSError(errno.EIO, "Input/output error")
        return self.stream.read(10)

    def readinto(self, into):
        data = self.read(len(into))
        into[: len(data)] = data
        return len(data)

    def readable(self):
        return True

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.stream.close()


@pytest.mark.parametrize("when", ["opened", "read"])
def test_a_file_that_cannot_be_read_keeps_no_other_from_the_backup_nor_from_the_export(
    store, tmp_path, monkeypatch, when
):
    fill(store, tmp_path)
    bad = next(iter(store.files.names().values()))
    really = Path.open

    def opened(path, *args, **more):
        if path != bad:
            return really(path, *args, **more)
        if when == "opened":
            raise PermissionError(errno.EACCES, "Permission denied")
        return FailsMidway(really(path, *args, **more))

    monkeypatch.setattr(Path, "open", opened)
    made = back_up(store, tmp_path / "a.zip")
    shown = export_to(store, tmp_path / "out")
    (problem,) = store.verify()
    monkeypatch.undo()
    assert problem.where == bad.name and "cannot be read" in problem.text
    assert shown.missing == (bad.name,) and shown.files == 2 and len(os.listdir(tmp_path / "out" / "files")) == 2
    back = restore(tmp_path / "a.zip", tmp_path / "b.enginelog")
    if when == "opened":
        assert made.missing == (bad.name,) and made.damaged == () and made.files == back.files == 2
    else:
        assert made.damaged == back.damaged == (bad.name,) and made.files == back.files == 3
        assert (tmp_path / "b.enginelog.files" / bad.name).read_bytes() == bad.read_bytes()[:10]


def with_manifest(source, target, change):
    """A backup packed again with another manifest."""
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            new.writestr(name, json.dumps(change(json.loads(content))) if name == "manifest.json" else content)
    return target


def test_a_backup_made_of_a_spoilt_file_before_its_sum_was_looked_at_can_be_restored_too(store, tmp_path):
    """Such a manifest has the sum by which the file was kept; the zip's own sum tells it from a backup spoilt later."""
    fill(store, tmp_path)
    bad = spoil(next(iter(store.files.names().values())))
    back_up(store, tmp_path / "new.zip")

    def as_before(about):
        about.pop("as_packed")
        about["entries"][f"files/{bad.name}"]["sha256"] = bad.name[:64]
        return about

    old = with_manifest(tmp_path / "new.zip", tmp_path / "old.zip", as_before)
    assert restore(old, tmp_path / "b.enginelog").damaged == (bad.name,)

    def other_sum(about):
        about["entries"][f"files/{bad.name}"]["sha256"] = bad.name[:64]
        return about

    with pytest.raises(UnreadableError, match=f"{bad.name} is damaged"):
        restore(with_manifest(tmp_path / "new.zip", tmp_path / "c.zip", other_sum), tmp_path / "c.enginelog")
    spoilt = bytearray(old.read_bytes())
    spoilt[spoilt.index(bad.read_bytes()) + 1] ^= 1
    old.write_bytes(spoilt)
    with pytest.raises(UnreadableError, match="nothing was restored"):
        restore(old, tmp_path / "d.enginelog")


def test_no_room_is_no_fault_of_the_backup(store, tmp_path, monkeypatch):
    from enginelog.store import backup

    fill(store, tmp_path)
    back_up(store, tmp_path / "a.zip")
    usage = type("Usage", (), {"free": 10})
    monkeypatch.setattr(backup.shutil, "disk_usage", lambda place: usage)
    with pytest.raises(StoreNotWrittenError, match=r"nothing was restored: no room for store\.enginelog .*; make room"):
        restore(tmp_path / "a.zip", tmp_path / "b.enginelog")


# ---------------------------------------------------------------- killed


def killed_at(step, modules, task):
    """Run the task in a child process that ends at once at the step-th rename; whether it came to its end."""
    number = os.fork()
    if number:
        return os.WEXITSTATUS(os.waitpid(number, 0)[1]) == 0
    try:
        count = [0]

        def ending(rename):
            def renamed(*names):
                count[0] += 1
                if count[0] == step + 1:
                    os._exit(1)
                return rename(*names)

            return renamed

        for name in ("replace", "rename"):
            setattr(modules.os, name, ending(getattr(os, name)))
        task()
        os._exit(0)
    finally:
        os._exit(2)


def two_stores(folder):
    """A store of its own, and the backup of another; each holds recordings."""
    for name, said in (("a", "the old one"), ("b", "the new one")):
        with open_store(folder / f"{name}.enginelog") as made:
            fill(made, folder)
            made.take_in(made.remember("pump Heron"), said)
            back_up(made, folder / f"{name}.zip")
    return folder / "a.enginelog", folder / "b.zip"


def holds(path, said):
    with open_store(path) as store:
        return bool(store.jobs(said)) and store.verify() == ()


@killed
@pytest.mark.parametrize("step", range(5))
def test_a_restore_that_was_killed_loses_nothing_and_the_next_one_goes_on(tmp_path, step):
    path, backup = two_stores(tmp_path)
    done = killed_at(step, aside, lambda: restore(backup, path, replace=True))
    assert done == (step == 4)
    if not done and step:
        with pytest.raises(UnreadableError, match="a restore was broken off") as said:
            open_store(path)
        assert "--replace" in str(said.value) and "\n" not in str(said.value)
        with pytest.raises(UsageError, match="--replace"):
            restore(backup, path)
    back = restore(backup, path, replace=True)
    assert holds(path, "the new one")
    olds = {back.set_aside} if not done else set(tmp_path.glob("a.enginelog.old-*Z"))
    assert any(holds(old, "the old one") for old in olds)
    assert not list(tmp_path.glob("*restoring*")) and len(list(tmp_path.glob("a.enginelog.old-*Z"))) == len(olds)


@killed
@pytest.mark.parametrize("step", range(1, 4))
def test_the_renames_that_are_named_put_the_one_before_back(tmp_path, step):
    path, backup = two_stores(tmp_path)
    killed_at(step, aside, lambda: restore(backup, path, replace=True))
    with pytest.raises(UnreadableError) as said:
        open_store(path)
    named = re.split(", then ", str(said.value).partition("rename ")[2])
    for source, target in (each.split(" to ") for each in named):
        assert not (tmp_path / target).exists()
        (tmp_path / source).rename(tmp_path / target)
    assert holds(path, "the old one")
    with open_store(path) as store:
        assert [each.parent for each in store.left_of_restores()] == [tmp_path]


@killed
@pytest.mark.parametrize("step", range(3))
def test_what_was_killed_on_the_way_back_is_put_back_by_the_next(tmp_path, step):
    path, backup = two_stores(tmp_path)
    killed_at(3, aside, lambda: restore(backup, path, replace=True))
    killed_at(step, aside, lambda: restore(tmp_path / "none.zip", path, replace=True))
    with pytest.raises(UnreadableError, match="no such file"):
        restore(tmp_path / "none.zip", path, replace=True)
    assert holds(path, "the old one")


def test_what_an_unpacking_left_makes_no_later_loss_a_restore_broken_off(tmp_path):
    """Killed while it unpacked: the store is in place. Later its file is lost, and an older one lies aside."""
    path, backup = two_stores(tmp_path)
    restore(backup, path, replace=True)
    left = tmp_path / "a.enginelog.restoring-20260412T092000000000Z"
    (left / "files").mkdir(parents=True)
    (left / "store.enginelog").write_bytes(b"half")
    (tmp_path / "restoring-ab12cd_9").mkdir()
    mine = tmp_path / "restoring-pictures"
    mine.mkdir()
    (mine / "mine.txt").write_text("kept")
    with open_store(path) as store:
        assert {each.name for each in store.left_of_restores()} == {left.name, "restoring-ab12cd_9"}
    path.rename(tmp_path / "lost")
    with pytest.raises(UnreadableError, match=r"its file is gone, and 3 files of it lie in a\.enginelog\.files"):
        open_store(path)
    restore(backup, path, replace=True)
    assert [each.name for each in tmp_path.glob("*restoring*")] == [mine.name] and (mine / "mine.txt").exists()


def test_a_restore_under_way_is_left_alone(tmp_path):
    path, backup = two_stores(tmp_path)
    swap = aside.Swap(path, "20260412T092000000000Z")
    with passing_folder(swap.passing) as passing:
        (passing / "store.enginelog").touch()
        restore(backup, path, replace=True)
        assert passing.exists()
        swap.put_aside()
        with pytest.raises(UnreadableError, match="a restore is under way; try again"):
            open_store(path)
        with pytest.raises(StoreNotWrittenError, match="another restore is under way"):
            restore(backup, path, replace=True)
    assert not passing.exists()


@killed
def test_what_a_killed_backup_left_is_taken_away_by_the_next_one_there(store, tmp_path):
    from enginelog.store import whole_files

    fill(store, tmp_path)
    (tmp_path / "stick").mkdir()
    assert not killed_at(0, whole_files, lambda: back_up(store, tmp_path / "stick" / "a.zip"))
    left = list((tmp_path / "stick").iterdir())
    assert [each.name[:21] for each in left] == ["enginelog-backing-up-"]
    (left[0] / "store.enginelog-wal").touch()  # as where it was killed while it looked the copy over
    back_up(store, tmp_path / "stick" / "a.zip")
    assert [each.name for each in (tmp_path / "stick").iterdir()] == ["a.zip"]
