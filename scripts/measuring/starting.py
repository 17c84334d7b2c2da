"""How a measuring script starts: in an environment that has enginelog. Standard library only."""

from __future__ import annotations

import subprocess
import sys
from importlib.util import find_spec


def ensure_environment(extra: str = "") -> None:
    """Go on where enginelog and numpy can be imported; else run the same command in the project's own environment.

    Then this process ends with that command's exit status.
    """
    if find_spec("enginelog") and find_spec("numpy"):
        return
    import environment

    python = environment.prepare(extra)
    sys.exit(subprocess.run([str(python), *sys.argv], env=environment.clean_variables()).returncode)
