"""The command line: parse, one call of the library, render. `main` is what the installed `enginelog` command runs."""

from __future__ import annotations

import os

from enginelog.dsp import threads

# A user's own setting stays. It has to stand before numpy is loaded.
for _name, _number in threads.ONE_EACH.items():
    os.environ.setdefault(_name, _number)

from enginelog.cli.main import main  # noqa: E402

__all__ = ["main"]
