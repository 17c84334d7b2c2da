"""The hand-back of a job: one page, one PDF or a short message, for the owner or for the bench.

hand_back_html(record, audience, history) -> str      hand_back_pdf(...) -> bytes      hand_back_text(...) -> str
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path

from enginelog.compare import of_job
from enginelog.model import JobRecord, StoredRun
from enginelog.report.folder import write_into
from enginelog.report.handback_page import sheet_html
from enginelog.report.handback_pdf import sheet_pdf
from enginelog.report.handback_sheet import sheet
from enginelog.report.handback_text import sheet_text


def hand_back_html(
    record: JobRecord, audience: str = "owner", history: Sequence[StoredRun] = (), others: Collection[int] = ()
) -> str:
    """One self-contained page. audience: owner (short) or bench (all of it). history, others: as in `sheet`."""
    return sheet_html(sheet(record, audience, history, others))


def hand_back_pdf(
    record: JobRecord, audience: str = "owner", history: Sequence[StoredRun] = (), others: Collection[int] = ()
) -> bytes:
    """The same as a PDF on A4, its fonts embedded; the same record gives the same bytes."""
    return sheet_pdf(sheet(record, audience, history, others), _stamp(record))


def hand_back_text(record: JobRecord, audience: str = "owner") -> str:
    """A short message in plain text."""
    return sheet_text(sheet(record, audience))


def hand_back_questions(record: JobRecord) -> tuple[str, ...]:
    """What whoever hands back is asked first, such as whether before and after are swapped. On no owner's paper."""
    return sheet(record).asked


def write_hand_back(
    record: JobRecord,
    folder: Path,
    audiences: Sequence[str] = ("owner", "bench"),
    history: Sequence[StoredRun] = (),
    others: Collection[int] = (),
) -> tuple[Path, ...]:
    """Write owner.html, owner.pdf, bench.html, bench.pdf and message.txt, which comes last, into `folder`, made where
    missing.

    All is rendered first and each file written whole or not at all. OSError where the folder cannot be written; one
    that was made for it is gone again then.
    """
    contents: dict[str, bytes] = {}
    pair = of_job(record)  # once for all papers: it is most of the work
    for audience in audiences:
        found = sheet(record, audience, history, others, pair)
        contents[f"{audience}.html"] = sheet_html(found).encode("utf-8", "replace")
        contents[f"{audience}.pdf"] = sheet_pdf(found, _stamp(record))
    contents["message.txt"] = sheet_text(sheet(record, pair=pair)).encode("utf-8", "replace")
    write_into(folder, contents)
    return tuple(folder / name for name in contents)


def _stamp(record: JobRecord) -> str:
    """The time a PDF says it was made: that of the hand-back, else of the last change of state, else of take-in."""
    job = record.job
    return (job.handback.at if job.handback else job.since or job.opened).utc
