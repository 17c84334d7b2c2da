"""The live page: start, watch, stop. What is heard goes out as server-sent events (WHATWG HTML, 9.2)."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from enginelog.bench.desk import Form, desk, go, number
from enginelog.bench.rendering import page
from enginelog.bench.takes import Take
from enginelog.report.cautions import cautions

BEAT_S = 2.0
MOST_WATCHERS = 8


def live_page(request: Request) -> Response:
    """The live view of a job: a start button, or what is heard right now."""
    live = desk(request).live
    with desk(request).store() as store:
        record = store.record(number(request), whole=False)
    mine = live.active and live.job_id == record.job.id
    return page(request, "live.html", record=record, live=live, mine=mine, cautions=cautions())


def start(request: Request, form: Form) -> Response:
    """Begin to record with the microphone of the machine that serves."""
    job_id = number(request)
    with desk(request).store() as store:
        engine = store.record(job_id, whole=False).machine.engine
    desk(request).live.start(job_id, engine)
    return go(f"/jobs/{job_id}/live")


def stop(request: Request, form: Form) -> Response:
    """End it: the recording becomes a take, which is analysed as any other. Where the job record cannot be read just
    then it stays with the live desk: there is no other copy."""
    here, job_id = desk(request), number(request)

    def keep(recorded: Path) -> Take:
        with here.store() as store:
            record = store.record(job_id, whole=False)
        stage = "after" if record.of_stage("before") else "before"
        return here.takes.finished(job_id, "live recording.wav", recorded, stage)

    return go(f"/takes/{here.live.stop(job_id, keep).id}")


async def events(request: Request) -> Response:
    """Each reading as an event, and a sign of life in between."""
    if desk(request).live.watchers >= MOST_WATCHERS:
        return Response("too many watch already", status_code=503)
    return StreamingResponse(_stream(request), media_type="text/event-stream")


async def _stream(request: Request) -> AsyncIterator[str]:
    live, seen = desk(request).live, -1
    live.watchers += 1
    try:
        while not live.leaving and not await request.is_disconnected():
            count, told = await run_in_threadpool(live.wait, seen, BEAT_S)
            yield f"data: {json.dumps(told, allow_nan=False)}\n\n" if count != seen else ": still here\n\n"
            seen = count
            if not told["running"]:
                return
    finally:
        live.watchers -= 1
