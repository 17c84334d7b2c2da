"""A whole `model.Run` as bytes and back, without loss: what the store keeps of an analysis.

Layout: 4 bytes MAGIC, then one zlib stream of: 4 bytes length (big-endian) of the head, the head (JSON: codec version,
the run's fields, and a list of arrays with kind and shape), then the arrays' bytes in order, little-endian. The bytes
of an array are kept by place (all first bytes, all second bytes, ...), which makes slowly changing numbers compress
better. After the stream 4 bytes, the CRC-32 of all before them (big-endian): the stream's own sum misses some single
bits of the packing. Records from before it was added end with the stream. No part of it can run code; sizes are bounded
on reading.
"""

from __future__ import annotations

import json
import math
import types
import typing
import zlib
from dataclasses import MISSING, fields, is_dataclass
from functools import cache
from typing import Any

import numpy as np

from enginelog.model import Engine, Run
from enginelog.store.errors import StoreUnreadableError

MAGIC = b"ELR\x01"
VERSION = 1
LARGEST = 1 << 30  # bytes, unpacked; an analysis of six hours takes about 150 MB
_DAMAGE = (ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError, OverflowError, zlib.error)
KINDS = frozenset({"<f8", "<f4", "<i8", "<i4", "<i2", "|i1", "|u1", "<u2", "<u4", "<u8", "|b1"})


def to_bytes(run: Run) -> bytes:
    """The run as bytes; TypeError where it holds something that cannot be kept."""
    arrays: list[np.ndarray] = []
    content = _plain(run, arrays)
    described = [[array.dtype.str, list(array.shape)] for array in arrays]
    head = json.dumps({"codec": VERSION, "run": content, "arrays": described}, allow_nan=False).encode("ascii")
    body = b"".join(_shuffled(array) for array in arrays)
    packed = MAGIC + zlib.compress(len(head).to_bytes(4, "big") + head + body, 6)
    return packed + zlib.crc32(packed).to_bytes(4, "big")


def from_bytes(data: bytes) -> Run:
    """The run again; StoreUnreadableError where the bytes are broken, too large or from a newer version."""
    try:
        return _read(data)
    except StoreUnreadableError:
        raise
    except _DAMAGE as failed:
        raise _damaged(failed) from failed


def engine_of(data: bytes) -> Engine:
    """The engine that a record was analysed with, without reading all of it; errors as of `from_bytes`."""
    try:
        if data[:4] != MAGIC:
            raise ValueError("it does not begin as a record does")
        unpack = zlib.decompressobj()
        raw = unpack.decompress(data[4:], 4)
        length = int.from_bytes(raw, "big")
        head = json.loads(unpack.decompress(unpack.unconsumed_tail, min(length, LARGEST)) if length else b"")
        return _typed(Engine, head["run"]["engine"], [])
    except _DAMAGE as failed:
        raise _damaged(failed) from failed


def _damaged(failed: Exception) -> StoreUnreadableError:
    return StoreUnreadableError(f"the record of this run is damaged ({failed}); analyse its recording again")


def _read(data: bytes) -> Run:
    if data[:4] != MAGIC:
        raise ValueError("it does not begin as a record does")
    unpack = zlib.decompressobj()
    raw = unpack.decompress(data[4:], LARGEST)
    if not unpack.eof:
        raise ValueError("it is cut short, or unpacks to more than 1 GB")
    after = unpack.unused_data
    if after and zlib.crc32(data[: -len(after)]) != int.from_bytes(after, "big"):
        raise ValueError("its sum is another")
    length = int.from_bytes(raw[:4], "big")
    head = json.loads(raw[4 : 4 + length])
    if head["codec"] != VERSION:
        raise StoreUnreadableError("the record of this run was written by a newer enginelog; install that one")
    return _typed(Run, head["run"], _arrays(head["arrays"], raw, 4 + length))


def _arrays(described: list[Any], raw: bytes, at: int) -> list[np.ndarray]:
    found = []
    for kind, shape in described:
        if kind not in KINDS or not all(isinstance(size, int) and size >= 0 for size in shape):
            raise ValueError(f"array of kind {kind!r}, shape {shape!r}")
        size = math.prod(shape) * np.dtype(kind).itemsize
        if at + size > len(raw):
            raise ValueError("an array is cut short")
        found.append(_unshuffled(raw[at : at + size], np.dtype(kind), shape))
        at += size
    if at != len(raw):
        raise ValueError("more bytes than its arrays have")
    return found


def _shuffled(array: np.ndarray) -> bytes:
    flat = np.frombuffer(array.tobytes(), np.uint8)
    return flat.reshape(-1, array.dtype.itemsize).T.tobytes()


def _unshuffled(data: bytes, kind: np.dtype, shape: list[int]) -> np.ndarray:
    flat = np.frombuffer(data, np.uint8).reshape(kind.itemsize, -1).T
    return np.frombuffer(flat.tobytes(), kind).reshape(shape).copy()


def _plain(value: Any, arrays: list[np.ndarray]) -> Any:
    """A value as JSON takes it; arrays are put aside into `arrays`."""
    if isinstance(value, np.ndarray):
        arrays.append(_little(value))
        return {"array": len(arrays) - 1}
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else {"float": repr(value)}
    if isinstance(value, (tuple, list)):
        return [_plain(part, arrays) for part in value]
    if isinstance(value, dict):
        return {str(name): _plain(part, arrays) for name, part in value.items()}
    if is_dataclass(value):
        return {each.name: _plain(getattr(value, each.name), arrays) for each in fields(value)}
    raise TypeError(f"a {type(value).__name__} cannot be kept in a record")


def _little(array: np.ndarray) -> np.ndarray:
    plain = np.ascontiguousarray(array, array.dtype.newbyteorder("<")).reshape(array.shape)
    if plain.dtype.str not in KINDS:
        raise TypeError(f"an array of {array.dtype} cannot be kept in a record")
    return plain


@cache
def _hints(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind)


def _typed(kind: Any, value: Any, arrays: list[np.ndarray]) -> Any:
    """A value read from JSON as the type its field asks for."""
    origin = typing.get_origin(kind)
    if origin in (typing.Union, types.UnionType):
        present = [part for part in typing.get_args(kind) if part is not type(None)]
        return None if value is None else _typed(present[0], value, arrays)
    if origin is tuple:
        return tuple(_typed(typing.get_args(kind)[0], part, arrays) for part in value)
    if origin is dict:
        return {name: _typed(typing.get_args(kind)[1], part, arrays) for name, part in value.items()}
    if kind is np.ndarray:
        return arrays[value["array"]]
    if is_dataclass(kind):
        return _dataclass(typing.cast(type, kind), value, arrays)
    return float(value["float"]) if isinstance(value, dict) else value


def _dataclass(kind: type, value: dict[str, Any], arrays: list[np.ndarray]) -> Any:
    """A dataclass from its fields; those added since it was written take their defaults."""
    hints = _hints(kind)
    given = {}
    for each in fields(kind):
        if each.name in value:
            given[each.name] = _typed(hints[each.name], value[each.name], arrays)
        elif each.default is MISSING and each.default_factory is MISSING:
            raise KeyError(f"{kind.__name__}.{each.name} is missing")
    return kind(**given)
