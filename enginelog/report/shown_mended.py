"""What could hurt, was heard in a job's recordings and is shown to be put right by a later one."""

from __future__ import annotations

from dataclasses import dataclass

from enginelog.model import Finding, JobRecord, Run, StoredRun, is_over_rated
from enginelog.report import words
from enginelog.report.dangers import NEAR_CLUTCH, Danger, course

WHEN = {"before": "Before the work", "during": "During the work", "after": "After the work"}


@dataclass(frozen=True)
class Mended:
    """One thing that could hurt, as it was last heard, and the recording that shows it put right."""

    danger: Danger
    shown: StoredRun

    @property
    def title(self) -> str:
        """What it is called."""
        return self.danger.title

    @property
    def said(self) -> str:
        """What it was and what it is now, with its figures."""
        bad, well = self.danger.stored, self.shown
        was, now = _figures(self.danger, bad.run, well.run)
        again = "later" if bad.stage == well.stage else WHEN[well.stage].lower()
        return f"{WHEN[bad.stage]} {was}; {again} {now}."


def shown_mended(record: JobRecord) -> tuple[Mended, ...]:
    """What could hurt and does not stand any more (`dangers.course`), each with the recording that shows it gone."""
    found: dict[str, Mended] = {}
    stood: tuple[Danger, ...] = ()
    left: set[str] = set()
    for stored, stand in course(record):
        left = {each.code for each in stand}
        found |= {each.code: Mended(each, stored) for each in stood if each.code not in left}
        stood = stand
    return tuple(each for code, each in found.items() if code not in left)


def _figures(danger: Danger, bad: Run | None, well: Run | None) -> tuple[str, str]:
    """What was heard of it then, and what shows it gone, in plain words."""
    assert bad is not None and well is not None  # heard in one, judged in the other
    source = danger.hurt.source
    if danger.code == NEAR_CLUTCH:
        then, now = (f"{run.measures.speed.rpm or 0.0:z.0f}{words.GAP}rpm" for run in (bad, well))
        return f"it idled at {then}, near where its clutch takes up, so that what it drives may move", f"at {now}"
    value = next((each.value for each in well.measures.findings if each.code == danger.code), None)
    if not isinstance(source, Finding) or source.value is None or value is None:
        return f"this was heard: {danger.title.lower()}", "it was not"
    if source.code == "stop":
        return f"it took about {source.value:z.1f}{words.GAP}s to stand still", f"about {value:z.1f}{words.GAP}s"
    top = f"at most {value:z.0f}{words.GAP}rpm"
    if is_over_rated(bad, source):
        rated = f", and is rated for {bad.engine.rated_rpm:z.0f}" if bad.engine.rated_rpm else ""
        return f"it turned at up to {source.value:z.0f}{words.GAP}rpm{rated}", top
    limit = f", where its blade may turn at {source.limit:z.0f}" if source.limit else ""
    return f"it turned at up to {source.value:z.0f}{words.GAP}rpm{limit}", top
