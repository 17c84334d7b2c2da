"""The command line: parse, one call of the library, render. `main` is what the installed `enginelog` command runs."""

from __future__ import annotations

import os

# The arrays here are small: a pool of threads costs processor time and gains none. A user's own setting stays. It has
# to stand before numpy is loaded.
THREAD_SETTINGS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
for _name in THREAD_SETTINGS:
    os.environ.setdefault(_name, "1")

from enginelog.cli.main import main  # noqa: E402

__all__ = ["main"]
