"""What the pages fetch: recordings (in ranges), tracks, reports, pictures, and the page's own style and scripts."""

from __future__ import annotations

import json
import re
from collections import OrderedDict
from collections.abc import Callable
from functools import cache
from importlib.resources import files
from pathlib import Path
from threading import Lock
from typing import Any

from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, Response

from enginelog import compare, plots, report
from enginelog.bench.answers import track
from enginelog.bench.desk import desk, number
from enginelog.bench.fields import FIELDS
from enginelog.bench.pages import pair_of
from enginelog.bench.photos import kind_of
from enginelog.model import EnginelogError, Run, StoredRun
from enginelog.plots.style import COLOURS
from enginelog.store import NotInStoreError

# A report is a page of its own with its style inside it; nothing in it may run.
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; media-src data:; frame-ancestors 'none'"
KINDS = {
    ".m4a": "audio/mp4", ".mp4": "audio/mp4", ".mov": "audio/mp4", ".3gp": "audio/3gpp", ".aac": "audio/aac",
    ".wav": "audio/wav", ".flac": "audio/flac", ".ogg": "audio/ogg", ".opus": "audio/ogg", ".webm": "audio/webm",
    ".mp3": "audio/mpeg",
}  # fmt: skip
STATIC = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
DARK = {
    "ink": "#e7ebee", "muted": "#a7b2ba", "grid": "#333d44", "line": "#7cc4e4", "band": "#35647a", "second": "#e2ab62",
    "lost": "#ff9388", "run": "#24503a", "pull": "#6b4d14", "quiet": "#2b3339", "rundown": "#453c63",
    "marker": "#c9a6f2",
}  # fmt: skip
PAPER = re.compile(r"(?P<audience>owner|bench)\.(?P<kind>html|pdf)")
MOST_DRAWN = 32

_drawn: OrderedDict[tuple[Any, ...], str] = OrderedDict()
_drawing = Lock()


def static(request: Request) -> Response:
    """A file of the page's own look and behaviour, from the package."""
    name = request.path_params["name"]
    text = _statics().get(name)
    if text is None:
        raise NotInStoreError("there is no such file")
    headers = {"cache-control": "no-cache"}
    return Response(text, media_type=STATIC[name.rsplit(".", 1)[-1]], headers=headers)


@cache
def _statics() -> dict[str, str]:
    """All of them by name: a name from outside is only looked up here."""
    folder = files(__package__) / "static"
    found = (entry for entry in folder.iterdir() if entry.name.rsplit(".", 1)[-1] in STATIC)
    return {entry.name: entry.read_text(encoding="utf-8") for entry in found}


def run_recording(request: Request) -> Response:
    """The kept recording of a run; a range of it where the browser asks for one."""
    with desk(request).store() as store:
        return _sound(store.recording(number(request)))


def take_recording(request: Request) -> Response:
    """The recording of a take that has arrived."""
    take = desk(request).takes.get(request.path_params["take"])
    if take.state == "arriving":
        raise NotInStoreError("this recording has not arrived whole yet")
    return _sound(take.path)


def _sound(path: Path) -> Response:
    """FileResponse answers ranges; the type follows from the ending, never from what the sender said."""
    return FileResponse(path, media_type=KINDS.get(path.suffix, "application/octet-stream"))


def photo(request: Request) -> Response:
    """The photo of a check. What browsers would not show as a plain picture is only handed out, never shown."""
    wanted = f"check {number(request, 'check')}"
    with desk(request).store() as store:
        path = next((one.path for one in store.files_of(number(request)) if one.of == wanted), None)
    if path is None or not path.is_file():
        raise NotInStoreError("there is no such photo")
    headers = {"content-security-policy": "default-src 'none'; sandbox"}
    kind = kind_of(path)
    name = None if kind else f"photo{path.suffix}"
    return FileResponse(path, media_type=kind or "application/octet-stream", filename=name, headers=headers)


def run_track(request: Request) -> Response:
    """The speed over time of a run."""
    return _json(track(_run(request)))


def take_track(request: Request) -> Response:
    """The speed over time of a take."""
    return _json(track(_taken(request)))


def run_report(request: Request) -> Response:
    """The report of a run."""
    return _report(_run(request))


def take_report(request: Request) -> Response:
    """The report of a take."""
    return _report(_taken(request))


def _report(run: Run) -> Response:
    return _page(_once(("report", run.clip.sha256, run.analysed_at), lambda: report.to_html(run, fields=FIELDS)))


def paper(request: Request) -> Response:
    """What goes with the machine, for its owner or for the bench, as page or PDF, as the job stands now."""
    found = PAPER.fullmatch(request.path_params["name"])
    if found is None:
        raise NotInStoreError("there is no such paper; owner.html, owner.pdf, bench.html or bench.pdf expected")
    with desk(request).store() as store:
        record = store.record(number(request))
        history = store.history(record.machine.id, changes=True)
    if found["kind"] == "html":
        return _page(report.hand_back_html(record, found["audience"], history.runs, history.other_engines))
    name = f"job-{record.job.id}-{found['audience']}.pdf"
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    data = report.hand_back_pdf(record, found["audience"], history.runs, history.other_engines)
    return Response(data, media_type="application/pdf", headers=headers)


def trend(request: Request) -> Response:
    """A machine over the seasons, as a picture."""
    with desk(request).store() as store:
        history = store.history(number(request), changes=True)
    runs, others = history.runs, history.other_engines
    narrow = request.query_params.get("narrow") == "1"

    def draw() -> str:
        figure = plots.machine_trend(runs, narrow, others) or plots.note("No figure stands in two recordings yet.")
        return plots.to_svg(figure, "trend", "Main figures of each recording over the seasons.")

    return _picture(
        _once(("trend", narrow, str(desk(request).settings.store), *sorted(others), *map(_shown, runs)), draw)
    )


def before_after(request: Request) -> Response:
    """Speed before and after the work, as a picture."""
    with desk(request).store() as store:
        outline = store.record(number(request), whole=False)

    def pair() -> tuple[Run | None, Run | None]:
        with desk(request).store() as store:
            found = compare.of_job(store.record(number(request)))
        return found.before.run if found.before else None, found.after.run if found.after else None

    return _pair(request, ("pair", *map(_shown, outline.runs)), pair)


def two_runs(request: Request) -> Response:
    """Speed of any two runs, as a picture."""
    with desk(request).store() as store:
        before, after = store.counting_pair(*pair_of(request))
    return _pair(request, ("two", _shown(before), _shown(after)), lambda: (before.run, after.run))


def _pair(request: Request, key: tuple[Any, ...], pair: Callable[[], tuple[Run | None, Run | None]]) -> Response:
    narrow = request.query_params.get("narrow") == "1"

    def draw() -> str:
        figure = plots.before_after_speed(*pair(), narrow) or plots.note("No speed is known of these.")
        return plots.to_svg(figure, "pair", "Speed before the work, dashed, and after it, solid.")

    return _picture(_once((narrow, str(desk(request).settings.store), *key), draw))


def _shown(run: StoredRun) -> tuple[Any, ...]:
    """What a picture of a stored run depends on."""
    return run.id, run.stage, run.at, run.analysis.id if run.analysis else 0


def _run(request: Request) -> Run:
    with desk(request).store() as store:
        found = store.run(number(request)).run
    if found is None:
        raise NotInStoreError("this run has no analysis")
    return found


def _taken(request: Request) -> Run:
    takes = desk(request).takes
    return takes.run_of(takes.get(request.path_params["take"]))


def _once(key: tuple[Any, ...], make: Callable[[], str]) -> str:
    """What was drawn before is not drawn again."""
    with _drawing:
        if key not in _drawn:
            _drawn[key] = make()
            while len(_drawn) > MOST_DRAWN:
                _drawn.popitem(last=False)
        return _drawn[key]


def _json(what: dict[str, Any]) -> Response:
    return Response(json.dumps(what, allow_nan=False, separators=(",", ":")), media_type="application/json")


def _page(text: str) -> Response:
    return HTMLResponse(text.encode("utf-8", "replace"), headers={"content-security-policy": REPORT_POLICY})


def _picture(svg: str) -> Response:
    """A picture that stands by itself, with its colours for light and dark."""
    if not svg.startswith("<svg "):
        raise EnginelogError("the picture could not be drawn")
    colours = "".join(f"--plot-{name}:{DARK[name]};" for name in COLOURS if name in DARK)
    font = 'system-ui,"Segoe UI",Roboto,"Liberation Sans",Arial,sans-serif'
    style = f"<style>svg{{font-family:{font}}}@media(prefers-color-scheme:dark){{:root{{{colours}}}}}</style>"
    head, rest = svg.split(">", 1)
    text = f'{head} xmlns="http://www.w3.org/2000/svg">{style}{rest}'
    return Response(text, media_type="image/svg+xml", headers={"content-security-policy": REPORT_POLICY})
