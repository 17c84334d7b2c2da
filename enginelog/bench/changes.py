"""What changes something: taking in, ticking, notes, work, states, attaching, discarding, pairing."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response

from enginelog import model, report
from enginelog.bench.desk import Form, desk, go, number
from enginelog.bench.doorkeeper import cookie_header
from enginelog.bench.fields import FIELDS, agreed
from enginelog.bench.notes import mark_of, notes_of
from enginelog.bench.rendering import page
from enginelog.bench.takes import NoTakeError
from enginelog.model import UsageError
from enginelog.model.telling import MACHINES, TWINS_FIRE, analysed_otherwise, degrees_from
from enginelog.model.wording import as_told
from enginelog.store import Store, engine_fields, hand_back_with, moments, numbers

PLACES = {"run": "runs", "check": "checks", "work": "work", "note": "notes"}  # where the job's page shows them
RESULTS = {"pass": "pass", "fail": "fail", "skip": "not_checked"}


def take_in(request: Request, form: Form) -> Response:
    """Open a job for a machine, which is remembered where it is new."""
    label = form.text("label")
    seen = model.TakeIn(**{name: form.text(name) for name in ("oil_level", "fuel_state", "smell", "damage")})
    with desk(request).store() as store, store.transaction():
        machine = store.remember(label, **_told(store, label, form))
        limit = _limit(form)
        job = store.take_in(machine, form.text("complaint"), seen, form.text("note"))
        if limit is not None:
            store.agree_limit(job.id, limit)
    return go(f"/jobs/{job.id}")


def _told(store: Store, label: str, form: Form) -> dict[str, Any]:
    """The machine's layout as the form tells it on top of what is known; nothing where it is known and none is told."""
    known, told = store.known_machine(label), _layout(form)
    return {} if known and not any(told.values()) else engine_fields(known, told, FIELDS)


def _layout(form: Form) -> dict[str, Any]:
    """What the form tells of the engine, as keywords of `engine_told`: None where a field is empty."""
    told = {name: form.text(name) or None for name in ("strokes", "cylinders", "firing", "kind", "poles")}
    cylinders, firing, poles = told["cylinders"], told["firing"], told["poles"]
    _one_of(told["strokes"], "strokes", ("2", "4"))
    _one_of(firing, "firing_angles", tuple(dict(TWINS_FIRE)))
    _one_of(told["kind"], "machine", MACHINES)
    return {
        "strokes": told["strokes"],
        "cylinders": None if cylinders is None else _whole(cylinders, FIELDS["cylinders"], 1, 12),
        "firing_angles": None if firing is None else degrees_from(firing),
        "rated_rpm": _measure(form, "rated_rpm", 100, 20_000),
        "idle_rpm": _measure(form, "idle_rpm", 100, 20_000),
        "machine": told["kind"],
        "blade_length_mm": _measure(form, "blade_length_mm", 100, 2000),
        "poles": None if poles is None else _even(poles, FIELDS["poles"], 2, 48),
    }


def _one_of(given: str | None, name: str, known: tuple[str, ...]) -> None:
    if given is not None and given not in known:
        raise UsageError(f"{FIELDS[name]}: '{given}' given, one of {', '.join(known)} expected")


def _measure(form: Form, name: str, low: float, high: float) -> float | None:
    given = form.text(name)
    return _amount(given, FIELDS[name], low, high) if given else None


def _even(given: str, what: str, low: int, high: int) -> int:
    value = _whole(given, what, low, high)
    if value % 2:
        raise UsageError(f"{what}: '{given}' given, an even number from {low} to {high} expected")
    return value


def _amount(given: str, what: str, low: float, high: float) -> float:
    found = re.fullmatch(r"[0-9]{1,6}(?:[.,][0-9]{1,6})?", given, re.ASCII)
    value = float(given.replace(",", ".")) if found else -1.0
    if not low <= value <= high:
        raise UsageError(f"{what}: '{given}' given, a number from {as_told(low)} to {as_told(high)} expected")
    return value


def _whole(given: str, what: str, low: int, high: int) -> int:
    value = _amount(given, what, low, high)
    if value % 1:
        raise UsageError(f"{what}: '{given}' given, a whole number from {low} to {high} expected")
    return int(value)


def tick(request: Request, form: Form) -> Response:
    """Write down one bench check, with its photo where one was sent for it."""
    here, job_id, result = desk(request), number(request), RESULTS.get(form.text("result"))
    if result is None:
        raise UsageError(f"result: '{form.text('result')}' given, one of {', '.join(RESULTS)} expected")
    reading = form.text("reading")
    value = numbers.decimal(reading) if reading else None
    sent = form.text("photo")
    photo = here.photos.path(sent, job_id) if sent else None
    with here.store() as store:
        store.tick(job_id, form.text("step"), result, form.text("note"), value, form.text("unit"), photo)
    here.photos.forget(sent)
    return go(f"/jobs/{job_id}?ticked={form.text('step')}#checks")


def note(request: Request, form: Form) -> Response:
    """Add to the job's notes, with when it was where that is told."""
    told = form.text("at")
    at = moments.given(told) if told else None
    with desk(request).store() as store:
        store.add_notes(number(request), form.text("note"), form.text("for_owner") == "1", at)
    return go(f"/jobs/{number(request)}{f'?noted={quote(told)}' if at else ''}#notes")


def show_note(request: Request, form: Form) -> Response:
    """Let the owner read one note, or no longer."""
    job_id, wanted = number(request), (form.whole("place"), form.text("mark"))
    with desk(request).store() as store, store.transaction():
        found = [each for each in notes_of(store.job(job_id)) if (each.place, each.mark) == wanted]
        if not found:
            raise UsageError("this note is another one by now; look at the notes again")
        store.show_note(job_id, found[0].place, found[0].text, form.text("for_owner") == "1")
    return go(f"/jobs/{number(request)}#notes")


def work(request: Request, form: Form) -> Response:
    """Write down a part, a fluid or labour."""
    cost = numbers.money(form.text("cost") or "0")
    minutes = _whole(form.text("minutes") or "0", "minutes", 0, 100_000)
    with desk(request).store() as store:
        store.add_work(number(request), form.text("kind"), form.text("text"), cost, minutes)
    return go(f"/jobs/{number(request)}#work")


def agree_limit(request: Request, form: Form) -> Response:
    """What a job on this machine may cost before its owner is asked; an empty field: no limit."""
    job_id, limit = number(request), _limit(form)
    with desk(request).store() as store, store.transaction():
        before = store.record(job_id, whole=False).machine
        now = store.agree_limit(job_id, limit, form.text("currency") or None)
        if now != before and form.told("shown") not in (None, mark_of(agreed(before))):
            held = f"it is {agreed(before)} now" if before.cost_limit_cents is not None else "there is none now"
            raise UsageError(f"the cost limit was changed meanwhile, elsewhere: {held}")
    return go(f"/jobs/{job_id}#work")


def _limit(form: Form) -> int | None:
    """The cost limit of a form in cents; None where its field is empty."""
    given = form.text("limit")
    try:
        return numbers.money(given) if given else None
    except UsageError as wrong:
        raise UsageError(f"Cost limit: {wrong}") from None


def take_back(request: Request, form: Form) -> Response:
    """Take a recording, a check, an entry of work or a note off this job: it stays on record, and can be put back."""
    job_id, kind, entry = number(request), form.text("kind"), form.text("entry")
    with desk(request).store() as store, store.transaction():
        record = store.record(job_id, whole=False)
        known: dict[str, tuple[Any, ...]] = {
            "check": record.checks, "work": record.work, "run": record.runs, "note": record.job.notes,
        }  # fmt: skip
        if entry not in [str(each.id) for each in known.get(kind, ())]:
            raise UsageError(
                f"{kind or 'entry'} {entry} is no recording, check, entry of work or note that job {job_id} has"
            )
        store.drop_entry(kind, entry, why=form.text("why"))
    return go(f"/jobs/{job_id}#taken-back")


def put_back(request: Request, form: Form) -> Response:
    """What was taken back counts again."""
    job_id, kind, entry = number(request), form.text("kind"), form.text("entry")
    with desk(request).store() as store, store.transaction():
        if (kind, entry) not in [(each.kind, str(each.entry.id)) for each in store.taken_back(job_id)]:
            raise UsageError(f"{kind or 'entry'} {entry} was not taken back from job {job_id}")
        store.drop_entry(kind, entry, undo=True)
    return go(f"/jobs/{job_id}#{PLACES[kind]}")


def put_right(request: Request, form: Form) -> Response:
    """Change the engine of a machine: what is told, on top of what is known."""
    told = _layout(form)
    if not any(told.values()):
        raise UsageError("nothing was told of the engine: strokes, cylinders, kind or a speed expected")
    with desk(request).store() as store, store.transaction():
        machine = store.machine(number(request))
        store.change_machine(replace(machine, **engine_fields(machine, told, FIELDS)))
    return go(f"/machines/{number(request)}")


def analyse_again(request: Request, form: Form) -> Response:
    """Analyse the job's recordings again that were analysed before the engine was told otherwise."""
    job_id = number(request)
    with desk(request).store() as store:
        unlike = [run for run, _ in analysed_otherwise(store.record(job_id))]
        if not unlike:
            raise UsageError(
                "all recordings of this job are analysed with the engine as it is told now, or the job is handed back: "
                "the page of each recording can analyse it again"
            )
        desk(request).reruns.begin(store, unlike)
    return go(f"/jobs/{job_id}#again")


def run_again(request: Request, form: Form) -> Response:
    """Analyse one recording of the job record again, with the engine as it is told now and this version."""
    with desk(request).store() as store:
        stored = store.run(number(request))
        desk(request).reruns.begin(store, [stored])
    return go(f"/jobs/{stored.job_id}#again")


def move(request: Request, form: Form) -> Response:
    """Attach a recording to the job where it belongs, and take it back from the one it is on."""
    with desk(request).store() as store:
        made = store.move_run(number(request), form.whole("job"))
    return go(f"/runs/{made.id}")


def state(request: Request, form: Form) -> Response:
    """Waiting, done (mended or not), or open again."""
    job_id, wanted = number(request), form.text("state")
    with desk(request).store() as store, store.transaction():
        if wanted == "waiting":
            before = store.job(job_id).waiting_for
            if before != form.text("waiting_for") and form.told("shown") not in (None, mark_of(before)):
                now = f"it waits for “{before}” now" if before else "it waits for nothing that is noted now"
                raise UsageError(f"what job {job_id} waits for was changed meanwhile, elsewhere: {now}")
            store.wait(job_id, form.text("waiting_for"))
        elif wanted == "done":
            store.finish(job_id)
        elif wanted == "not_mended":
            store.finish(job_id, not_mended=form.text("waiting_for"))
        elif wanted == "open":
            store.reopen(job_id)
        else:
            raise UsageError(f"state: '{wanted}' given, one of open, waiting, done, not_mended expected")
    return go(f"/jobs/{job_id}")


def hand_back(request: Request, form: Form) -> Response:
    """Hand the machine back: the job's state, what the owner is told, and the page that went along."""
    job_id = number(request)
    with desk(request).store() as store:
        if store.job(job_id).state == "handed_back":
            raise UsageError(f"job {job_id} is handed back already: set it to open first to hand it back anew")
        wishes = form.text("told"), form.text("watch"), form.text("next_service")
        hand_back_with(store, job_id, wishes, report.hand_back_html)
    return go(f"/jobs/{job_id}/hand-back")


def attach(request: Request, form: Form) -> Response:
    """Put a take into the job record, recording and all; it is there whole or stays a take."""
    takes = desk(request).takes
    try:
        take = takes.claim(request.path_params["take"])
    except NoTakeError:
        if became := takes.became(request.path_params["take"]):
            return _attached_meanwhile(request, form, became)
        raise
    try:
        with desk(request).store() as store:
            stored = store.attach(
                take.job_id, takes.run_of(take), form.text("stage"), form.texts("conditions"), form.text("note"),
                take.path,
            )  # fmt: skip
    except BaseException:
        takes.release(take)
        raise
    takes.end(take.id, stored.id)
    return go(f"/runs/{stored.id}?attached=1")


def _attached_meanwhile(request: Request, form: Form, run_id: int) -> Response:
    """Somebody else was quicker: the run it is, what is told of it otherwise there, and the note, for the job's."""
    with desk(request).store() as store:
        stored = store.run(run_id)
    stage, conditions = form.text("stage"), form.texts("conditions")
    otherwise = (stage, set(conditions)) != (stored.stage, set(stored.conditions))
    return page(
        request, "attached.html", 409, stored=stored, typed=form.text("note"), mark=form.text("once"),
        chosen=[f"{stage} the work", *conditions] if otherwise and stage else [],
    )  # fmt: skip


def listen_again(request: Request, form: Form) -> Response:
    """Listen to a take once more: by somebody's word that an engine did run in it, or (told=1) with the engine as it is
    told now."""
    take = desk(request).takes.again(request.path_params["take"], by_word=form.text("told") != "1")
    return go(f"/takes/{take.id}")


def discard(request: Request, form: Form) -> Response:
    """Throw a take away."""
    take = desk(request).takes.get(request.path_params["take"])
    desk(request).takes.end(take.id)
    return go(f"/jobs/{take.job_id}")


def pairing_page(request: Request) -> Response:
    """The page that asks for the code."""
    return page(request, "pair.html", problem="")


def pair(request: Request, form: Form) -> Response:
    """Compare the code; a wrong one costs time."""
    pairing, address = desk(request).pairing, request.client.host if request.client else ""
    wait_s = pairing.wait_s(address)
    token = None if wait_s > 0 else pairing.pair(address, form.text("code"))
    if token is None:
        wait_s = pairing.wait_s(address)
        problem = "This code is not right; it stands on the terminal of the machine that serves this page."
        if wait_s > 0:
            problem += f" Please wait {wait_s:z.0f} seconds before the next try."
        answer = page(request, "pair.html", 429 if wait_s > 0 else 403, problem=problem)
        if wait_s > 0:
            answer.headers["retry-after"] = str(int(wait_s) + 1)
        return answer
    back = go("/")
    age_s = int(desk(request).settings.bound("paired_s"))
    back.headers["set-cookie"] = cookie_header(request.scope, token, age_s)
    return back
