"""`enginelog guide`: which recordings to make of a machine, and whether those made will do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from enginelog import model
from enginelog.cli import clips, console
from enginelog.cli.engine_options import engine_from, engine_options, hints
from enginelog.cli.records import records_in, status_of
from enginelog.model.wording import counted

if TYPE_CHECKING:
    from enginelog.advice.guide import Plan, Step

STATUS_DONE = 0
STATUS_UNREADABLE = 4


@dataclass(frozen=True)
class _Found:
    """What came of one recording: the name of its test, whether it will do for that, and the exit status.

    ran: as of `Judged`. first: what is said before all else, as it can hurt.
    """

    name: str
    will_do: bool
    status: int
    ran: bool | None = None
    first: tuple[str, ...] = ()


@click.command()
@click.argument("names", nargs=-1, metavar="[CLIP]...")
@click.option("--ask", is_flag=True, help="Go through the sequence, and ask for each recording when it is made.")
@engine_options
def guide(names: tuple[str, ...], ask: bool, **told: Any) -> int:
    """Say which recordings to make of a machine (give --machine), how, for how long, and with what care.

    With CLIPs, in the order of the sequence or as idle=CLIP, each is checked, and the next is named. A run record as
    'check --json' prints it does as well as its recording. The exit status is that of 'check' for them.
    """
    from enginelog import report
    from enginelog.advice import guide as sequence

    engine = engine_from(**told)
    if engine.machine is None:
        raise model.UsageError("which kind of machine? give --machine, for example --machine mower")
    for line in hints(engine):
        console.note(line)
    plan = sequence.plan(engine, _ask_first(engine))
    given = _assigned(plan, names)
    if not given:
        console.show(report.plan_text(plan, console.width()).rstrip())
    found = [_judge(step, name, engine) for step, name in given]
    done = [each.name for each in found if each.will_do]
    if ask and _starts(found) and not _first(found):
        for step, name in _asked(plan, done):
            found.append(_judge(step, name, engine))
            if not _starts(found) or _first(found):
                break
        done = [each.name for each in found if each.will_do]
    if given or ask:
        console.show("\n" + report.next_text(plan, done, console.width(), _starts(found), _first(found)).rstrip())
    return max((each.status for each in found), default=STATUS_DONE)


def _starts(found: list[_Found]) -> bool:
    """False where pulls in vain are all that was heard: no running engine can be asked for then."""
    ran = [each.ran for each in found]
    return True in ran or False not in ran


def _first(found: list[_Found]) -> tuple[str, ...]:
    """What can hurt and was heard: nobody is asked to run it for another recording then."""
    return tuple(dict.fromkeys(line for each in found for line in each.first))


def _ask_first(engine: model.Engine) -> tuple[str, ...]:
    """What to read off the data plate, for this engine."""
    from enginelog.advice import usual

    fields = vars(engine) | {"assumed": engine.assumed}
    return usual.ask_first({"engine": fields})


def _assigned(plan: Plan, names: tuple[str, ...]) -> list[tuple[Step, str]]:
    """Each recording with the step it is for: as named (`idle=CLIP`), else the first step free."""
    steps = {step.test.name: step for step in plan.steps}
    given: list[tuple[Step, str]] = []
    for name in names:
        test, sign, path = name.partition("=")
        free = [step for step in plan.steps if step not in [each for each, _ in given]]
        if sign and test in steps:
            given.append((steps[test], path))
        elif free:
            given.append((free[0], name))
        else:
            raise model.UsageError(f"'{name}': more recordings given than the {len(plan.steps)} of the sequence")
    return given


def _asked(plan: Plan, done: list[str]) -> Iterator[tuple[Step, str]]:
    """Show each step not done, and ask for its recording; an empty answer leaves it, `stop` ends."""
    from enginelog.report import guide_text

    for number, step in enumerate(plan.steps, 1):
        if step.test.name in done:
            continue
        console.show("\n" + "\n".join(guide_text.step_lines(number, step, console.width())))
        name = click.prompt("Recording (Enter: leave out, stop: end)", default="", show_default=False, err=True)
        if name.strip().lower() == "stop":
            return
        if name.strip():
            yield step, name.strip()


def _judge(step: Step, name: str, engine: model.Engine) -> _Found:
    """Check one recording and say what came of it."""
    from enginelog.advice import guide as sequence
    from enginelog.report import guide_text

    shown = console.safe_name(name)
    try:
        record = _record(name, engine)
    except (model.UnreadableError, OSError) as failed:
        console.error(str(failed))
        return _Found(step.test.name, False, STATUS_UNREADABLE)
    judged, first = sequence.judge(step, record, engine), sequence.first_of(record, engine)
    console.show("\n".join(guide_text.judged_lines(shown, judged, console.width(), bool(first))))
    return _Found(step.test.name, judged.will_do, status_of(record), judged.ran, first)


def _record(name: str, engine: model.Engine) -> dict[str, Any]:
    """The run record of a recording, or the one in a file that holds one."""
    from enginelog import analysis, report

    if name.lower().endswith(".json"):
        found = records_in(name)
        if len(found) != 1:
            held = counted(len(found), "run record")
            raise model.UnreadableError(f"{console.safe_name(name)}: holds {held}, one expected")
        return found[0]
    if name == clips.STDIN:
        raise model.UsageError("'-' given, but the guide takes recordings by name: save it first")
    with console.progress(console.safe_name(name)) as tell:
        return report.record(analysis.analyse(name, engine, progress=tell))
