"""Templates: every text is escaped, and control and direction characters are shown as escapes."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import HTMLResponse

from enginelog.bench.desk import came_from, context
from enginelog.bench.fields import FIELDS, agreed
from enginelog.bench.notes import mark_of, notes_of
from enginelog.bench.repeats import mark
from enginelog.limits.trade.cautions import in_short
from enginelog.model.wording import money
from enginelog.report import advising, run_line, words
from enginelog.store import words as job_words

if TYPE_CHECKING:
    from jinja2 import Environment

LINE_ENDS = "\n\t"


def page(request: Request, template: str, status: int = 200, **given: Any) -> HTMLResponse:
    """One page."""
    text = environment().get_template(template).render(**context(request), **given)
    return HTMLResponse(text, status_code=status)


def problem_page(request: Request, status: int, text: str) -> HTMLResponse:
    """The page that says why something was not done, and leads back to the form that asked for it."""
    return page(request, "problem.html", status, problem=text, back=came_from(request), asked=request.method == "GET")


@cache
def environment() -> Environment:
    """The templates of this room."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("enginelog.bench", "templates"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
        finalize=_printable,
    )
    made.globals.update(
        once=mark,
        words=words,
        job_words=job_words,
        figures=run_line.figures,
        advising=advising,
        in_short=in_short,
        fields=FIELDS,
        money=money,
        notes_of=notes_of,
        mark_of=mark_of,
        agreed=agreed,
    )
    return made


def warm() -> None:
    """Read what every page needs, so that the first visitor does not wait for it."""
    from enginelog.limits import bench
    from enginelog.limits.trade import knowledge

    for name in environment().list_templates(extensions=["html"]):
        environment().get_template(name)
    bench.suggest({})
    knowledge.load()


def _printable(value: Any) -> Any:
    """Text as it can be shown; what is markup already stays as it is, and so do line ends."""
    if type(value) is not str or all(c.isprintable() or c in LINE_ENDS for c in value):
        return value
    return "".join(c if c in LINE_ENDS else words.clean(c) for c in value)
