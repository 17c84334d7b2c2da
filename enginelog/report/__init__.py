"""The answer for its reader: run record (JSON), summary (text), page (HTML), tables (CSV), and the folder of them all.

    record(run) -> dict          the run record of version 1       to_json(run) -> str     from_json(text) -> dict
    summary_lines(run) -> list   lines with a kind each             summary_text(run, width=80) -> str
    answer(run) -> Line          the answer alone                   headline(run) -> Headline    with its verdict
    to_html(run) -> str          one self-contained page            speed_csv(run), firing_csv(run) -> str
    write_folder(run, folder, audio_excerpt=None) -> Written

    comparison_text(comparison, width=80) -> str, comparison_json(comparison) -> str     before against after
    hand_back_html(job), hand_back_pdf(job), hand_back_text(job)     what goes back with the machine

    advice_text(advice, width=80), advice_json(advice) -> str     likely causes, the next checks, and why
    suggestion(job), known_of(job)     what to check next at the bench; the `Situation` of a job for `advise`
    explain(topic, width=80), plan_text(plan, width=80) -> str    pages of the trade knowledge; the recordings to make

Most are renderers of the same `model.Run`; none measures anything.
"""

from enginelog.report.advising import advice_json, advice_text
from enginelog.report.cautions import Caution, cautions
from enginelog.report.comparison import comparison_json, comparison_record, comparison_text
from enginelog.report.explaining import explain, topics_text
from enginelog.report.folder import Written, write_all, write_folder
from enginelog.report.guide_text import next_text, plan_text
from enginelog.report.handback import (
    hand_back_html,
    hand_back_pdf,
    hand_back_questions,
    hand_back_text,
    write_hand_back,
)
from enginelog.report.headline import headline
from enginelog.report.page import AudioExcerpt, to_html
from enginelog.report.record import record, to_json
from enginelog.report.spec import RecordError, check, from_json
from enginelog.report.suggesting import known_of, suggestion
from enginelog.report.summary import Line, answer, summary_lines, summary_text
from enginelog.report.tables import firing_csv, speed_csv

__all__ = [
    "AudioExcerpt",
    "Caution",
    "Line",
    "RecordError",
    "Written",
    "advice_json",
    "advice_text",
    "answer",
    "cautions",
    "check",
    "comparison_json",
    "comparison_record",
    "comparison_text",
    "explain",
    "firing_csv",
    "from_json",
    "hand_back_html",
    "hand_back_pdf",
    "hand_back_questions",
    "hand_back_text",
    "headline",
    "known_of",
    "next_text",
    "plan_text",
    "record",
    "speed_csv",
    "suggestion",
    "summary_lines",
    "summary_text",
    "topics_text",
    "to_html",
    "to_json",
    "write_all",
    "write_folder",
    "write_hand_back",
]
