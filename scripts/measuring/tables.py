"""Markdown tables, shares with their uncertainty, and the line that says what was measured where."""

from __future__ import annotations

import platform
import subprocess
from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A Markdown table; the first column is text, the others are aligned to the right."""
    lines = ["| " + " | ".join(head) + " |", "|---|" + "---:|" * (len(head) - 1)]
    lines += ["| " + " | ".join(str(cell) for cell in row) + " |" for row in rows]
    return "\n".join(lines)


def percent(part: float, whole: float) -> str:
    """The share in per cent, one decimal; a dash where there is nothing to take a share of."""
    return f"{100 * part / whole:.1f}" if whole else "-"


def number(value: float | None, digits: int = 2) -> str:
    """A number with a fixed count of decimals; a dash for None and NaN."""
    return "-" if value is None or value != value else f"{value:.{digits}f}"


def limits_of_share(part: int, whole: int, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of a share (Clopper & Pearson 1934), 0..1; (0, 1) where `whole` is 0."""
    from scipy.stats import beta

    tail = (1 - level) / 2
    low = float(beta.ppf(tail, part, whole - part + 1)) if part > 0 else 0.0
    high = float(beta.ppf(1 - tail, part + 1, whole - part)) if part < whole else 1.0
    return low, high


def percent_between(part: int, whole: int) -> str:
    """95 % interval of a share in per cent: "91.2 to 97.4"."""
    low, high = limits_of_share(part, whole)
    return f"{100 * low:.1f} to {100 * high:.1f}" if whole else "-"


def provenance(arguments: Sequence[str]) -> str:
    """One line: date, version and commit of the program, Python, machine, and the command's arguments."""
    import numpy
    import scipy

    import enginelog

    told = [
        f"enginelog {enginelog.__version__}{_commit(Path(enginelog.__file__).parent)}",
        f"Python {platform.python_version()}, numpy {numpy.__version__}, scipy {scipy.__version__}",
        f"{platform.system()} {platform.machine()}",
        f"arguments: {' '.join(arguments) or 'none'}",
    ]
    return f"Measured {date.today().isoformat()}: " + "; ".join(told) + "."


def _commit(folder: Path) -> str:
    """The commit and whether files were changed since; nothing where git cannot tell."""
    try:
        head = _git(folder, "rev-parse", "--short", "HEAD")
        return f" commit {head}" + (" with changes" if _git(folder, "status", "--porcelain", "--", ".") else "")
    except (OSError, subprocess.CalledProcessError):
        return ""


def _git(folder: Path, *words: str) -> str:
    run = subprocess.run(["git", *words], cwd=folder, capture_output=True, text=True, check=True)
    return run.stdout.strip()
