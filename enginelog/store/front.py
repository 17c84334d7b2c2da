"""The store as a whole, and opening it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from types import TracebackType

from enginelog.model import Moment, UsageError
from enginelog.store import aside, moments, opening, soundness
from enginelog.store.dropping import Dropping
from enginelog.store.errors import NotInStoreError, StoreUnreadableError, explained
from enginelog.store.files import FileFolder, files_folder, readable_sha256

MOST_UNSOUND = 20


@dataclass(frozen=True)
class Problem:
    """Something a verification found: where, and what is wrong."""

    where: str
    text: str


class Store(Dropping):
    """An open job record; see `enginelog.store`. A context manager, which closes it at the end."""

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def verify(self) -> tuple[Problem, ...]:
        """Read the whole store, every record that counts and every file; what is wrong, empty where nothing is."""
        with explained(self.path, self.files.folder):
            found = [Problem(self.path.name, line) for line in opening.integrity(self._db)]
            found += [Problem(self.path.name, line) for line in soundness.wrong_entries(self._db)]
            for row in self._rows("SELECT sha256, ending FROM files ORDER BY sha256"):
                try:
                    path = self.files.path_of(row["sha256"], row["ending"])
                except StoreUnreadableError:
                    continue  # named among the entries
                if not path.is_file():
                    found.append(Problem(path.name, "this file is gone; fetch it from a backup"))
                elif (sha256 := readable_sha256(path)) is None:
                    found.append(Problem(path.name, "this file cannot be read; fetch it from a backup"))
                elif sha256 != row["sha256"]:
                    found.append(
                        Problem(path.name, "its content has changed since it was kept; fetch it from a backup")
                    )
        return (*found, *self.broken_records(counting=True))

    def unsound(self, records: bool = True) -> tuple[str, ...]:
        """The first of what no backup is made of and no import takes, one line each; empty where all is sound.

        records: also records of runs that are no bytes any more, which an export makes bytes of again.
        """
        with explained(self.path, self.files.folder):
            return tuple(islice(soundness.all_wrong(self._db, records), MOST_UNSOUND))

    def left_of_restores(self) -> tuple[Path, ...]:
        """Folders beside the store that restores left when they were killed; the next restore takes them away."""
        return tuple(aside.left_of_restores(self.path))

    def broken_records(self, counting: bool) -> tuple[Problem, ...]:
        """Records of runs that cannot be read: each has a checksum of its own, since SQLite does not look into them.

        counting: those of the newest result of their run, which analysing again puts right; else of the earlier ones.
        """
        newest = "id = (SELECT max(id) FROM analyses other WHERE other.run_id = analyses.run_id)"
        query = f"SELECT id, run_id FROM analyses WHERE {newest if counting else f'NOT {newest}'} ORDER BY id"
        found = []
        for row in self._rows(query):
            try:
                self.analysed(row["id"])
            except (StoreUnreadableError, NotInStoreError) as failed:
                found.append(Problem(f"run {row['run_id']}, analysis {row['id']}", str(failed)))
        return tuple(found)


def open_store(path: str | Path | None = None, clock: Callable[[], Moment] = moments.now) -> Store:
    """Open a job record, new where there is none.

    path: the store's file; None takes ENGINELOG_STORE from the environment, else a file in the user's data folder.
    Raises StoreUnreadableError (damaged, no store, from a newer version), StoreNotWrittenError (a new one cannot be
    made there), UsageError (a folder).
    """
    if path is not None and not str(path).strip():
        raise UsageError("the store's path is empty; give the path of a file")
    place = opening.file_path(Path(opening.default_path() if path is None else path).expanduser())
    folder = files_folder(place)
    with explained(place, folder):
        db = opening.connect(place)
    return Store(place, db, FileFolder(folder), clock)
