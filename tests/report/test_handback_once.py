"""What a hand-back costs: comparing and drawing are most of it. Design of our own, no outside source."""

from collections import Counter

import make_runs
import pytest
from made_handbacks import bare, recorded

from enginelog import plots, report
from enginelog.report import handback, handback_sheet

PAIR = (recorded(make_runs.hunting_pump(), "before"), recorded(make_runs.settling_start(), "after"))


@pytest.fixture
def made(monkeypatch):
    """How often it was compared and drawn."""
    count: Counter[str] = Counter()

    def counting(module, name):
        inner = getattr(module, name)

        def call(*given, **named):
            count[name] += 1
            return inner(*given, **named)

        monkeypatch.setattr(module, name, call)

    for module in (handback, handback_sheet):
        counting(module, "of_job")
    counting(plots, "before_after_speed")
    return count


def test_all_papers_are_made_from_one_comparison_and_each_picture_is_drawn_once(made, tmp_path):
    """Papers, questions and message of one job compared six times and drew six times, seven seconds of work."""
    written = report.write_hand_back(bare("pump", PAIR), tmp_path / "x")
    assert made["of_job"] == 1 and made["before_after_speed"] == 2 * 2, "wide and narrow, for the owner and the bench"
    assert written[-1].read_text(encoding="utf-8") == report.hand_back_text(bare("pump", PAIR))


def test_a_question_and_a_message_need_no_picture(made):
    report.hand_back_questions(bare("pump", PAIR))
    report.hand_back_text(bare("pump", PAIR))
    assert made["before_after_speed"] == 0 and made["of_job"] == 2
