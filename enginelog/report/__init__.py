"""The answer for its reader: run record (JSON), summary (text), page (HTML), tables (CSV), and the folder of them all.

    record(run) -> dict          the run record of version 1       to_json(run) -> str     from_json(text) -> dict
    summary_lines(run) -> list   lines with a kind each             summary_text(run, width=80) -> str
    to_html(run) -> str          one self-contained page            speed_csv(run), firing_csv(run) -> str
    write_folder(run, folder, audio_excerpt=None) -> Written

    comparison_text(comparison, width=80) -> str, comparison_json(comparison) -> str     before against after
    hand_back_html(job), hand_back_pdf(job), hand_back_text(job)     what goes back with the machine

All but the last are renderers of the same `model.Run`; none measures anything.
"""

from enginelog.report.cautions import Caution, cautions
from enginelog.report.comparison import comparison_json, comparison_record, comparison_text
from enginelog.report.folder import Written, write_folder
from enginelog.report.handback import hand_back_html, hand_back_pdf, hand_back_text, write_hand_back
from enginelog.report.page import AudioExcerpt, to_html
from enginelog.report.record import record, to_json
from enginelog.report.spec import RecordError, check, from_json
from enginelog.report.summary import Line, summary_lines, summary_text
from enginelog.report.tables import firing_csv, speed_csv

__all__ = [
    "AudioExcerpt",
    "Caution",
    "Line",
    "RecordError",
    "Written",
    "cautions",
    "check",
    "comparison_json",
    "comparison_record",
    "comparison_text",
    "firing_csv",
    "from_json",
    "hand_back_html",
    "hand_back_pdf",
    "hand_back_text",
    "record",
    "speed_csv",
    "summary_lines",
    "summary_text",
    "to_html",
    "to_json",
    "write_folder",
    "write_hand_back",
]
