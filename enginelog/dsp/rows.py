"""Tables kept as a dataclass of arrays of one length: some of their rows."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, TypeVar

import numpy as np

Table = TypeVar("Table", bound=Any)


def rows_of(table: Table, which: np.ndarray | slice) -> Table:
    """Those rows of `table`, a dataclass whose fields all are arrays (n, ...), that `which` names: a mask, indices or a
    slice."""
    return type(table)(*(getattr(table, each.name)[which] for each in fields(table)))
