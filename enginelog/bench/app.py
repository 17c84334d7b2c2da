"""The application: which path leads where, what an error becomes, and what starts and ends with the server."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator

from starlette.applications import Starlette
from starlette.convertors import IntegerConvertor, register_url_convertor
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from enginelog.bench import advising, changes, files, hearing, listening, pages, uploading
from enginelog.bench.again import Reruns
from enginelog.bench.desk import Desk, change, drawn, wants_page
from enginelog.bench.doorkeeper import Doorkeeper, Refused
from enginelog.bench.pairing import Pairing
from enginelog.bench.photos import Photos
from enginelog.bench.rendering import problem_page, warm
from enginelog.bench.repeats import Repeats
from enginelog.bench.rescuing import rescue
from enginelog.bench.settings import Settings
from enginelog.bench.takes import NoTakeError, RefusedTakeError, Takes
from enginelog.bench.workshop import Workshop
from enginelog.live import NoMicrophoneError
from enginelog.model import EnginelogError, UsageError
from enginelog.store import NotInStoreError, StoreNotWrittenError, opening


class _Row(IntegerConvertor):
    """The number of a row in a path: Python refuses to read numbers of thousands of digits, and no row has one."""

    regex = "[0-9]{1,18}"


register_url_convertor("row", _Row())

ROUTES = (
    ("/", pages.home, None),
    ("/pair", changes.pairing_page, changes.pair),
    ("/jobs/new", pages.new_job, None),
    ("/jobs", None, changes.take_in),
    ("/jobs/{number:row}", pages.job, None),
    ("/jobs/{number:row}/clip", pages.clip, None),
    ("/jobs/{number:row}/checks", None, changes.tick),
    ("/jobs/{number:row}/checks/{check:row}/photo", files.photo, None),
    ("/jobs/{number:row}/notes", None, changes.note),
    ("/jobs/{number:row}/notes/show", None, changes.show_note),
    ("/jobs/{number:row}/work", None, changes.work),
    ("/jobs/{number:row}/limit", None, changes.agree_limit),
    ("/jobs/{number:row}/take-back", None, changes.take_back),
    ("/jobs/{number:row}/put-back", None, changes.put_back),
    ("/jobs/{number:row}/again", uploading.again, changes.analyse_again),
    ("/jobs/{number:row}/state", None, changes.state),
    ("/jobs/{number:row}/advice", advising.advice, None),
    ("/jobs/{number:row}/compare", pages.comparison, None),
    ("/compare", pages.two_runs, None),
    ("/compare.svg", drawn(files.two_runs), None),
    ("/jobs/{number:row}/before-after.svg", drawn(files.before_after), None),
    ("/jobs/{number:row}/hand-back", pages.hand_back, changes.hand_back),
    ("/jobs/{number:row}/papers/{name}", drawn(files.paper), None),
    ("/takes", None, uploading.announce),
    ("/takes/{take}", pages.take, None),
    ("/takes/{take}/state", uploading.state, None),
    ("/takes/{take}/recording", files.take_recording, None),
    ("/takes/{take}/track", files.take_track, None),
    ("/takes/{take}/report", drawn(files.take_report), None),
    ("/takes/{take}/attach", None, changes.attach),
    ("/takes/{take}/again", None, changes.listen_again),
    ("/takes/{take}/discard", None, changes.discard),
    ("/runs/{number:row}", pages.run, None),
    ("/runs/{number:row}/move", None, changes.move),
    ("/runs/{number:row}/again", None, changes.run_again),
    ("/runs/{number:row}/recording", files.run_recording, None),
    ("/runs/{number:row}/track", files.run_track, None),
    ("/runs/{number:row}/report", drawn(files.run_report), None),
    ("/machines", pages.machines, None),
    ("/machines/{number:row}", pages.machine, None),
    ("/machines/{number:row}/engine", None, changes.put_right),
    ("/machines/{number:row}/trend.svg", drawn(files.trend), None),
    ("/jobs/{number:row}/live", listening.live_page, listening.start),
    ("/jobs/{number:row}/live/stop", None, listening.stop),
    ("/live/events", listening.events, None),
    ("/static/{name}", files.static, None),
)
DRAWING = (changes.hand_back,)
CLEAN_EVERY_S = 60.0
STATUSES = (
    ((NotInStoreError, NoTakeError), 404),
    ((RefusedTakeError,), 409),
    ((UsageError,), 400),
    ((StoreNotWrittenError, NoMicrophoneError), 503),
)


def make(settings: Settings) -> Starlette:
    """The application of one server."""
    pairing, takes, workshop = Pairing(settings), Takes(settings), Workshop(settings)
    takes.whole = workshop.add
    desk = Desk(settings, pairing, takes, workshop, hearing.LiveDesk(settings), Photos(settings), Repeats(),
                Reruns(settings, workshop.add))  # fmt: skip

    @contextlib.asynccontextmanager
    async def running(app: Starlette) -> AsyncIterator[None]:
        workshop.start()
        await asyncio.to_thread(warm)
        cleaning = asyncio.create_task(_clean(takes))
        try:
            yield
        finally:
            cleaning.cancel()
            recorded = desk.live.close()
            await workshop.stop()
            app.state.rescued = rescue([*recorded, *takes.only_here()], settings.store)
            takes.clear()
            desk.photos.clear()
            desk.reruns.clear()

    routes = [Route("/takes/{take}", uploading.piece, methods=["PUT"])]
    routes += [Route("/jobs/{number:row}/photos/{step}", uploading.photo, methods=["PUT"])]
    for path, shown, changed in ROUTES:
        if shown is not None:
            routes.append(Route(path, shown, methods=["GET"]))
        if changed is not None:
            routes.append(Route(path, change(changed, draws=changed in DRAWING), methods=["POST"]))
    app = Starlette(
        routes=routes,
        middleware=[Middleware(Doorkeeper, settings=settings, pairing=pairing)],
        exception_handlers={
            EnginelogError: _known_error, Refused: _refused, HTTPException: _no_page, Exception: _fault,
            ClientDisconnect: _broken_off,
        },
        lifespan=running,
    )  # fmt: skip
    app.state.desk = desk
    app.state.rescued = []
    app.state.drawing = asyncio.Semaphore(1)
    return app


async def _clean(takes: Takes) -> None:
    """Throw away what is old, now and then."""
    while True:
        await asyncio.sleep(CLEAN_EVERY_S)
        await asyncio.to_thread(takes.forget_old)


def _problem(request: Request, status: int, text: str) -> Response:
    if wants_page(request):
        return problem_page(request, status, text)
    return JSONResponse({"problem": text}, status_code=status)


def _known_error(request: Request, error: Exception) -> Response:
    status = next((status for kinds, status in STATUSES if isinstance(error, kinds)), 500)
    place = request.app.state.desk.settings.store or opening.default_path()
    # Where it lies on this machine is nothing for a phone's screen.
    return _problem(request, status, str(error).replace(str(place), "the job record"))


def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, Refused)
    answer = _problem(request, error.status, error.text)
    answer.headers["connection"] = "close"
    return answer


def _broken_off(request: Request, error: Exception) -> Response:
    """Nobody is there any more to read it."""
    return _problem(request, 400, "The connection ended before it was whole.")


def _no_page(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 404
    return _problem(request, status, "There is no such page." if status == 404 else "This is not possible here.")


def _fault(request: Request, error: Exception) -> Response:
    text = f"A fault in the program: {type(error).__name__}. Nothing was changed; the terminal shows more."
    return _problem(request, 500, text)
