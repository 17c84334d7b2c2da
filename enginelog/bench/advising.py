"""The page on what to check next: the job's recordings and checks, and answers that come with the address."""

from __future__ import annotations

from dataclasses import replace

from starlette.requests import Request
from starlette.responses import Response

from enginelog.advice import MOST_STEPS, advise
from enginelog.advice.usual import ask_first
from enginelog.bench.desk import desk, number
from enginelog.bench.rendering import page
from enginelog.limits.trade import knowledge
from enginelog.report import known_of
from enginelog.report.advising import MOST_CAUSES, MOST_QUESTIONS

ANSWER, CHECK = "answer.", "check."


def advice(request: Request) -> Response:
    """Likely causes and the next checks of a job. Answers and results of checks are fields of the address, so that
    asking changes nothing; what is empty is no answer."""
    with desk(request).store() as store:
        record = store.record(number(request))
    on_record = known_of(record)
    answers = _told(request, ANSWER)
    tried = {name: result for name, result in _told(request, CHECK).items() if name not in on_record.checks}
    found = advise(replace(on_record, checks={**on_record.checks, **tried}, answers=answers))
    known = knowledge.load()
    asks = tuple(dict.fromkeys(line for one in on_record.heard for line in ask_first(one.record, {})))
    return page(
        request, "advice.html", record=record, advice=found, heard=on_record.heard, answers=answers, tried=tried,
        known=known, asks=asks, most=(MOST_CAUSES, MOST_STEPS, MOST_QUESTIONS),
    )  # fmt: skip


def _told(request: Request, kind: str) -> dict[str, str]:
    fields = request.query_params.multi_items()
    return {name.removeprefix(kind): value for name, value in fields if name.startswith(kind) and value}
