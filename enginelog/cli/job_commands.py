"""The commands of the job record, from take-in to backup."""

from __future__ import annotations

from enginelog.cli import again, bench_entries, jobs, keeping, machine, runs, take_in

COMMANDS = (
    take_in.take_in,
    take_in.machines,
    machine.machine,
    take_in.rename,
    jobs.jobs,
    jobs.job,
    jobs.files,
    jobs.history,
    bench_entries.tick,
    bench_entries.work,
    bench_entries.note,
    bench_entries.wait,
    bench_entries.close,
    bench_entries.reopen,
    runs.attach,
    again.reanalyse,
    runs.move,
    runs.report_of,
    keeping.drop,
    keeping.purge,
    keeping.export_,
    keeping.import_,
    keeping.backup,
    keeping.restore,
    keeping.verify,
)
