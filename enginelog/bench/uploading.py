"""How a recording arrives: announced, then in pieces that each say where they go on, so that it can be resumed.

A photo comes at once: it is small, and the phone has it still.
"""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response

from enginelog import model
from enginelog.bench.desk import Desk, Form, desk, number
from enginelog.bench.doorkeeper import Refused
from enginelog.bench.photos import MOST_COMING
from enginelog.bench.takes import RefusedTakeError, Take
from enginelog.limits.trade import knowledge
from enginelog.model import UsageError
from enginelog.store.base import one_of

WRITE_AT = 1 << 18


def announce(request: Request, form: Form) -> Response:
    """A recording is announced: for which job, its name and size. The answer says under which id its pieces go."""
    here, job_id = desk(request), form.whole("job")
    stage = one_of(form.text("stage"), model.STAGES, "stage")
    with here.store() as store:
        if form.text("record") not in ("", store.identity()):
            raise UsageError("this page was made from another job record; reload it, and see for which job the clip is")
        store.record(job_id, whole=False)
    take = here.takes.begin(
        job_id, form.text("name"), form.whole("size"), stage, form.texts("conditions"), form.text("note")
    )
    return JSONResponse(_told(here, take), status_code=201)


async def piece(request: Request) -> Response:
    """One piece of a recording. Whatever of it has come is kept when the connection breaks."""
    here = desk(request)
    offset = request.query_params.get("offset", "")
    if not (offset.isascii() and offset.isdigit() and len(offset) < 16):
        raise RefusedTakeError("the piece does not say where it goes on: ?offset=BYTES expected")
    take = here.takes.open_piece(request.path_params["take"], int(offset))
    try:
        await _write(request, here, take)
    finally:
        await run_in_threadpool(here.takes.close_piece, take)
    return JSONResponse(_told(here, take))


async def _write(request: Request, here: Desk, take: Take) -> None:
    held, cut = bytearray(), None
    try:
        async for data in request.stream():
            held += data
            if len(held) >= WRITE_AT:
                await run_in_threadpool(here.takes.add, take, bytes(held))
                held.clear()
    except ClientDisconnect:
        pass
    except Refused as refused:  # too slow: the phone goes on from what has come
        cut = refused
    if held:
        await run_in_threadpool(here.takes.add, take, bytes(held))
    if cut is not None:
        raise cut


def state(request: Request) -> Response:
    """Where a take is: how much has come, its place in the queue, the share done; what became of it in the end."""
    here = desk(request)
    became = here.takes.became(request.path_params["take"])
    if became is not None:
        return JSONResponse({"state": "attached" if became else "discarded", "run": became or None})
    return JSONResponse(_told(here, here.takes.get(request.path_params["take"])))


def _told(here: Desk, take: Take) -> dict[str, object]:
    return {
        "id": take.id,
        "state": take.state,
        "size": take.size,
        "received": take.received,
        "before": here.workshop.place(take),
        "share": take.share,
        "problem": take.problem,
    }


def again(request: Request) -> Response:
    """How far those recordings of a job are that are analysed again: run, state, place in the queue, share of each."""
    here = desk(request)
    return JSONResponse(
        [
            {"run": each.run_id, "state": each.state, "before": here.workshop.place(each), "share": each.share}
            for each in here.reruns.of_job(number(request))
        ]
    )


async def photo(request: Request) -> Response:
    """A photo for a check that is not ticked yet. The answer says under which id the check asks for it."""
    here, job_id = desk(request), number(request)
    step = knowledge.check_named(request.path_params["step"])
    if here.photos.coming >= MOST_COMING:
        raise RefusedTakeError("too many photos come at once; send it again in a moment")
    here.photos.coming += 1
    try:
        await run_in_threadpool(_job_there, here, job_id)
        photo_id = await here.photos.add(job_id, step, await request.body())
    finally:
        here.photos.coming -= 1
    return JSONResponse({"id": photo_id}, status_code=201)


def _job_there(here: Desk, job_id: int) -> None:
    with here.store() as store:
        store.job(job_id)
