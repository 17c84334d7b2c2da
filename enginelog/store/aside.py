"""A store put aside for one that is restored: the names, the renames in their order, and what a kill leaves of them.

Where `shed.enginelog` is replaced, the new one is made ready in `shed.enginelog.restoring-STAMP` and the old one goes
to `shed.enginelog.old-STAMP` and `shed.enginelog.old-STAMP.files`: the file before the folder, and back the other way
round, so that a store without its recordings is never in place.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from enginelog.store.files import files_folder
from enginelog.store.passing import begins, in_use, left_over

DATABASE = "store.enginelog"
FILES = "files"
RESTORING = ".restoring-"
ASIDE = ".old-"
BESIDE = ("-wal", "-shm")  # what SQLite keeps beside a database
DATABASE_FILES = (DATABASE, *(f"{DATABASE}{each}" for each in (*BESIDE, "-journal")))
_EARLIER = "restoring-" + "?" * 8  # what the passing folder was called before, of whichever store


@dataclass(frozen=True)
class Swap:
    """One restore over a store: where that lies, and the stamp in all names of this restore."""

    path: Path
    stamp: str

    @property
    def passing(self) -> Path:
        """The folder in which the new one is made ready."""
        return self.path.with_name(f"{self.path.name}{RESTORING}{self.stamp}")

    @property
    def aside(self) -> Path:
        """Where the file of the old one goes; its folder goes beside it."""
        return self.path.with_name(f"{self.path.name}{ASIDE}{self.stamp}")

    @property
    def half_done(self) -> Path:
        """Where the files of the new one go that a killed restore has put in place; never deleted."""
        return files_folder(self.aside.with_name(f"{self.aside.name}-broken-off"))

    def put_aside(self) -> None:
        """Take the old store away."""
        for old, aside in self._pairs():
            if old.exists():
                os.rename(old, aside)

    def put_in_place(self) -> None:
        """Put the new store where the old one was."""
        os.replace(self.passing / FILES, files_folder(self.path))
        os.replace(self.passing / DATABASE, self.path)

    def take_back(self) -> None:
        """Undo what this restore has done so far."""
        if not (self.passing / DATABASE).exists():
            os.rename(self.path, self.passing / DATABASE)
        folder = files_folder(self.path)
        if folder.exists() and not (self.passing / FILES).exists():
            os.rename(folder, self.passing / FILES)
        self.finish_way_back()

    def finish_way_back(self) -> None:
        """Put the old store in place again after a kill."""
        for source, target in self.way_back():
            os.rename(source, target)

    def way_back(self) -> list[tuple[Path, Path]]:
        """The renames that put the old store in place again, in an order in which a kill between them is known, too."""
        folder = files_folder(self.path)
        new_in_place = folder.exists() and not (self.passing / FILES).exists() and not self.half_done.exists()
        away = [(folder, self.half_done)] if new_in_place else []
        return away + [(aside, old) for old, aside in reversed(self._pairs()) if aside.exists()]

    def _pairs(self) -> list[tuple[Path, Path]]:
        """Each file of the old store and where it goes, in order."""
        single = [
            (self.path.with_name(self.path.name + end), self.aside.with_name(self.aside.name + end))
            for end in ("", *BESIDE)
        ]
        return [*single, (files_folder(self.path), files_folder(self.aside))]


def broken_off(path: Path) -> Swap | None:
    """The restore that has put the store of this path aside and nothing whole in its place: killed, or still at it."""
    if path.exists():
        return None
    for passing in sorted(path.parent.glob(begins(f"{path.name}{RESTORING}")), reverse=True):
        swap = Swap(path, passing.name.removeprefix(f"{path.name}{RESTORING}"))
        taken = swap.aside.exists() or files_folder(swap.aside).exists()
        if taken and (passing / DATABASE).exists():
            return swap
    return None


def under_way(swap: Swap) -> bool:
    """Whether the program that restores is still running."""
    return in_use(swap.passing)


def left_of_restores(path: Path) -> list[Path]:
    """Passing folders of restores that were killed: copies of what is in a backup, and nothing else."""
    own = left_over(path.parent, begins(f"{path.name}{RESTORING}"), (FILES, *DATABASE_FILES))
    return own + left_over(path.parent, _EARLIER, (FILES, *DATABASE_FILES))
