"""The command line: parse, one call of the library, render. `main` is what the installed `enginelog` command runs."""

from __future__ import annotations

from enginelog.cli.main import main

__all__ = ["main"]
