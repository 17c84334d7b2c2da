"""What a job on record gives the rules to go on, and what they suggest at the bench."""

from __future__ import annotations

from enginelog.advice import Heard, at_bench
from enginelog.limits import bench
from enginelog.limits.bench import Suggestion
from enginelog.model import STAGES, JobRecord
from enginelog.report.record import record as run_record


def known_of(record: JobRecord) -> tuple[list[Heard], dict[str, str]]:
    """The recordings of a job as heard before the work (else during, else after), and the results of its checks."""
    stage = next((stage for stage in STAGES if record.of_stage(stage)), None)
    runs = [run for run in record.runs if run.stage == stage and run.run is not None]
    heard = [Heard(run_record(run.run), run.conditions) for run in runs if run.run is not None]
    return heard, bench.results_of(record.checks)


def suggestion(record: JobRecord) -> Suggestion:
    """What the bench checks of a job leave and what to check next, by the rules of `advise`.

    record: with its runs whole; of runs that are not, only what their figures call amiss counts.
    """
    heard, results = known_of(record)
    told = [run for run in record.runs if run.stage != "after" and run.analysis]
    codes = told[-1].analysis.figures.amiss if told and told[-1].analysis else ()
    return at_bench(results, heard, record.machine.engine, codes)
