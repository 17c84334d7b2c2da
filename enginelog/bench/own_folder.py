"""A folder of one server's own among the system's passing files, for what is not in the job record yet.

A server runs for weeks, and systems clear that place now and then: the folder is held locked, which keeps their own
cleaners out of it, and made anew where it is gone all the same.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
import sys
import tempfile
from pathlib import Path


class OwnFolder:
    """One such folder, for its owner's eyes alone. prefix: how its name begins."""

    def __init__(self, prefix: str) -> None:
        self._prefix = prefix
        self._held: int | None = None
        self.path = self._made()

    def there(self) -> Path:
        """The folder, made anew (empty, under another name) where it is gone; OSError where that is not possible."""
        if not _is_mine(self.path):
            self._let_go()
            self.path = self._made()
        return self.path

    def clear(self) -> None:
        """Throw it away with all that is in it."""
        self._let_go()
        shutil.rmtree(self.path, ignore_errors=True)

    def _made(self) -> Path:
        made = Path(tempfile.mkdtemp(prefix=self._prefix))
        self._held = _held(made)
        return made

    def _let_go(self) -> None:
        if self._held is not None:
            os.close(self._held)
            self._held = None


def _is_mine(path: Path) -> bool:
    """Whether it is there still, and nobody else's under its name."""
    try:
        about = path.lstat()
    except OSError:
        return False
    return stat.S_ISDIR(about.st_mode) and (sys.platform == "win32" or about.st_uid == os.getuid())


def _held(folder: Path) -> int | None:
    """Lock it, until the handle is closed: a cleaner that ages files leaves out what is locked (tmpfiles.d(5), "Age").
    None in a place without locks."""
    if sys.platform == "win32":
        return None
    import fcntl

    handle = os.open(folder, os.O_RDONLY)
    with contextlib.suppress(OSError):
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return handle
    os.close(handle)
    return None
