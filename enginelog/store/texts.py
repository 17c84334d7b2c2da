"""Text that goes into the store, and the words by which a job is found again."""

from __future__ import annotations

import json
import math
import re
import unicodedata
from sqlite3 import Connection

from enginelog.model import STRUCK, UsageError
from enginelog.store.errors import StoreUnreadableError

LONGEST_LABEL = 80
LONGEST_LINE = 400
LONGEST_TEXT = 20_000

# Blank to the eye though no spaces: the fillers of Hangul, the cell of Braille without a dot.
_FILLERS = "\u115f\u1160\u2800\u3164\uffa0"
# Shown by nothing of their own: they choose how what they follow is drawn (Unicode, Default_Ignorable_Code_Point).
_CHOOSERS = re.compile("[\u034f\u17b4\u17b5\u180b-\u180d\u180f\ufe00-\ufe0f\U000e0100-\U000e01ef]")

# What a job is searched by: a query for each table, whose columns are all text.
_SOURCES = (
    "SELECT m.label, m.serial, m.note, coalesce(m.kind, '') FROM jobs j JOIN machines m ON m.id = j.machine_id "
    "WHERE j.id = ?",
    "SELECT complaint, oil_level, fuel_state, smell, damage, note, waiting_for FROM jobs WHERE id = ?",
    "SELECT step, note, photo_name FROM checks WHERE job_id = ? AND dropped_utc IS NULL",
    "SELECT text FROM work WHERE job_id = ? AND dropped_utc IS NULL",
    "SELECT recording_name, conditions, note FROM runs WHERE job_id = ? AND dropped_utc IS NULL",
    "SELECT told_owner, watch, next_service FROM handbacks WHERE job_id = ?",
)


def folded(text: str) -> str:
    """The text as searches compare it: capitals, accents' spelling and width of letters do not matter."""
    return unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", text).casefold())


def escaped(word: str) -> str:
    """A word as part of a LIKE pattern whose escape is the backslash: it stands for itself alone."""
    return re.sub(r"([\\%_])", r"\\\1", word)


def storable(text: str) -> str:
    """The text as SQLite can keep it: halves of characters (names that are no valid UTF-8) become escapes."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def checked(text: str, what: str, longest: int = LONGEST_TEXT) -> str:
    """The text, storable; UsageError where it is too long or holds a NUL."""
    if not isinstance(text, str):
        raise UsageError(f"{what}: {text!r} given, text expected")
    if "\x00" in text:
        raise UsageError(f"{what}: text with a NUL character given; leave it out")
    if len(text) > longest:
        raise UsageError(f"{what}: {len(text)} characters given, at most {longest} expected; shorten it")
    return storable(text)


def seen(text: str) -> str:
    """What of a text somebody sees: without spaces, marks that only steer, and what is drawn as nothing."""
    shown = "".join(letter for letter in text if letter not in _FILLERS and not _CHOOSERS.match(letter))
    return "".join(each for each in shown if unicodedata.category(each) not in ("Cc", "Cf", "Zs", "Zl", "Zp"))


def checked_label(label: str) -> str:
    """A machine's label: one line, not empty, spaces at its ends left out."""
    label = checked(label, "label of the machine", LONGEST_LABEL).strip()
    if not label or any(unicodedata.category(letter) in ("Cc", "Zl", "Zp") for letter in label):
        raise UsageError(f"label of the machine: {label!r} given, one line of text expected, such as 'tiller Marigold'")
    return label


def new_label(label: str) -> str:
    """A label that no machine has yet: as `checked_label`, and without characters that nobody sees, which would make a
    second machine of what reads as the same. Joiners within a script or an emoji stay: they change what is seen.

    Labels that a store has already are not held to this, so that their machines stay within reach.
    """
    label = checked_label(label)
    blank = not seen(label)
    for at, letter in enumerate(label):
        steers = unicodedata.category(letter) == "Cf" and not _joins(label, at)
        if blank or steers or letter in _FILLERS:
            raise UsageError(
                f"label of the machine: {label!r} given, in which U+{ord(letter):04X} cannot be seen; leave it out"
            )
    return label


def _joins(label: str, at: int) -> bool:
    """Whether a joiner (or non-joiner) stands between two characters that it can join: none of ASCII's."""
    around = label[at - 1 : at] + label[at + 1 : at + 2]
    return label[at] in "\u200c\u200d" and len(around) == 2 and not any(map(str.isascii, around))


def label_key(label: str) -> str:
    """What makes two labels the same: case, width and the number of spaces do not matter."""
    return " ".join(folded(label).split())


def listed(text: str, kind: type, what: str) -> tuple:
    """A list that is kept as a line of JSON; StoreUnreadableError where it is none, or not all of it of this kind."""
    try:
        read = json.loads(text)
    except (ValueError, TypeError, RecursionError) as failed:
        raise StoreUnreadableError(f"{what} cannot be read ({failed}); fetch it from a backup") from failed
    if not isinstance(read, list) or not all(_is(kind, each) for each in read):
        raise StoreUnreadableError(f"{what} cannot be read ({text[:60]!r}); fetch it from a backup")
    return tuple(read)


def _is(kind: type, value: object) -> bool:
    """Whether a value read from JSON is a text, or a finite number."""
    if kind is str:
        return isinstance(value, str)
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def refresh(db: Connection, job_id: int) -> None:
    """Write down again by which words the job is found. Part of each transaction that changes one."""
    found = [text for query in _SOURCES for row in db.execute(query, (job_id,)).fetchall() for text in row if text]
    words = [line for text in found for line in text.split("\n") if not line.startswith(STRUCK)]
    # Line feeds between the parts keep a search from matching across them.
    db.execute("INSERT OR REPLACE INTO job_texts (job_id, text) VALUES (?, ?)", (job_id, folded("\n".join(words))))
