"""A machine whose engine is told otherwise after a job was handed back: what was judged stays unless asked for by name.

No outside source: the job record's own promises. The analysis is replaced by hand-made runs, as in test_job_commands.
"""

import pytest
from test_job_commands import analysis, call, clip, document, job  # noqa: F401 (fixtures)

from enginelog import __version__
from enginelog.store import Store, open_store


@pytest.fixture
def shed(call, analysis, job):  # noqa: F811
    """Job 1 handed back with runs 1 and 2, of a single; job 2 open with run 3; then the engine is told as a twin."""
    analysis.version = __version__
    call("attach", "1", clip(b"hunts"), "--stage", "before")
    call("attach", "1", clip(b"well", "well.m4a"), "--stage", "after")
    assert call("hand-back", "1", "--yes")[0] == 0
    call("take-in", "tiller Marigold", "--complaint", "smokes")
    call("attach", "2", clip(b"pulls", "pulls.m4a"), "--stage", "before")
    return call


def another(shed, command="machine"):
    return shed(command, "tiller Marigold", "--cylinders", "2", "--firing-angles", "0,360")


def cylinders(run: int) -> list[int]:
    """With how many cylinders each analysis of a run was made, the oldest first."""
    with open_store() as store:
        found = store.run(run)
        return [store.analysed(each.id).engine.cylinders for each in (*found.earlier, found.analysis)]


def told(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("command", ["machine", "take-in"])
def test_what_is_told_otherwise_is_said_and_what_it_means_for_earlier_jobs(shed, command):
    status, out, err = another(shed, command)
    assert status == 0 and "tiller Marigold is told otherwise from now on: cylinders 1 then, 2 now\n" in err
    assert (
        "job 1, handed back, stays as judged with what was told then (runs 1 and 2), as is right where another engine "
        "was fitted since; where it was told wrongly then: enginelog reanalyse --job 1\n"
    ) in err
    assert "run 3 was analysed with what was told before" in told(out) and "enginelog reanalyse 3" in told(out)
    assert "told otherwise" not in another(shed, command)[2], "told once more it is told as before"


def test_nothing_is_said_where_nothing_is_told_otherwise(shed):
    for command in ("machine", "take-in"):
        status, out, err = shed(command, "tiller Marigold", "--strokes", "4", "--cylinders", "1")
        assert status == 0 and "otherwise" not in err and "To do" not in out


def test_a_job_handed_back_asks_for_nothing_and_says_what_it_was_judged_with(shed):
    another(shed)
    page = told(shed("job", "1")[1])
    assert "To do" not in page
    assert "Told then cylinders 1 then, 2 now; runs 1 and 2 were judged with the former" in page
    assert page.endswith("judged with the former") and "To do" in shed("job", "2")[1]
    past = told(shed("history", "tiller Marigold")[1])
    assert past.count("Told then") == 1 and "runs 1 and 2 were judged with the former Job 2" in past
    assert "otherwise" not in shed("compare", "--job", "1")[1]
    assert "analyse again" not in shed("hand-back", "1")[2]
    assert shed("reopen", "1")[0] == 0 and "To do" in shed("job", "1")[1], "open again it is asked about"


def test_a_damaged_record_does_not_keep_the_history_from_being_shown(shed):
    another(shed)
    with open_store() as store:
        store._db.execute("UPDATE records SET data = x'00' WHERE analysis_id = 1")
    status, out, _ = shed("history", "tiller Marigold")
    assert status == 0 and "run 2 was judged with the former" in told(out)


def test_all_that_is_outdated_leaves_out_what_was_handed_back(shed):
    another(shed)
    status, out, _ = shed("reanalyse", "--all", "--outdated")
    assert "Run 3, job 2" in out and "1 recording analysed again" in out
    assert [cylinders(run) for run in (1, 2, 3)] == [[1], [1], [1, 2]]


def test_by_another_version_it_is_analysed_again_as_it_was_told_then(shed, analysis, monkeypatch):  # noqa: F811
    """Else the first call after an update would have spoilt all earlier seasons."""
    another(shed)
    analysis.version = "9.0"
    monkeypatch.setattr("enginelog.__version__", "9.0")
    shed("reanalyse", "--all", "--outdated")
    shed("reanalyse", "--all")
    assert [cylinders(run) for run in (1, 2, 3)] == [[1, 1, 1], [1, 1, 1], [1, 2, 2]]


@pytest.mark.parametrize("named", [("1", "2"), ("--job", "1"), ("--job", "1", "--outdated")])
def test_named_it_is_judged_with_what_is_told_now_and_the_way_back_is_said(shed, named):
    another(shed)
    status, _, err = shed("reanalyse", *named)
    assert status == 0 and cylinders(1) == cylinders(2) == [1, 2]
    assert (
        "note: job 1 is handed back, and run 1 was judged with what was told of the engine then (cylinders 1 then, "
        "2 now); as it was told then: enginelog reanalyse 1 --as-then\n"
    ) in err
    assert err.count("as-then") == 2
    assert "Told then" not in shed("job", "1")[1]
    status, _, err = shed("reanalyse", "1", "2", "--as-then")
    assert (status, err) == (0, "") and cylinders(1) == cylinders(2) == [1, 2, 1]
    assert "Told then" in shed("job", "1")[1]


def test_as_then_of_a_job_at_hand_is_as_it_was_analysed_last(shed):
    another(shed)
    assert shed("reanalyse", "3", "--as-then")[0] == 0 and cylinders(3) == [1, 1]
    shed("reanalyse", "3")
    assert cylinders(3) == [1, 1, 2]


def test_over_two_seasons_it_is_said_that_they_may_be_two_engines(shed):
    another(shed, "take-in")
    shed("attach", "3", clip(b"hunts", "again.m4a"), "--stage", "before")
    out = told(shed("compare", "--run", "2", "--run", "4")[1])
    assert "The engine is told otherwise for the two (cylinders 1 before, 2 after)." in out
    assert "they are recordings of two engines" in out and "analyse again first" not in out
    assert "told otherwise" not in shed("compare", "--run", "1", "--run", "2")[1]


def test_a_machine_that_got_another_engine_is_marked_in_its_history_and_not_compared_across(shed, tmp_path):
    another(shed)
    assert "told as another one" not in shed("history", "tiller Marigold")[1], "run 3 is still judged as the former"
    shed("reanalyse", "3")
    out = told(shed("history", "tiller Marigold")[1])
    marked = "Engine told as another one from run 3 on (cylinders 1 before, 2 after): hold no figures"
    assert out.count("told as another one") == 1 and marked in out
    assert out.index("Run 2") < out.index(marked) < out.index("Run 3")
    listed = document(shed("history", "tiller Marigold", "--json")[1])["changes"]
    assert listed == [{"run": 3, "what": "cylinders 1 before, 2 after"}]
    status, out, _ = shed("compare", "--run", "2", "--run", "3")
    assert status == 3 and "the engine is told as another one for the two (cylinders 1 before, 2 after)" in told(out)


@pytest.mark.parametrize("changed", [("--rated-rpm", "2900"), ("--strokes", "2")])
def test_another_rated_speed_and_other_strokes_are_another_engine(shed, changed):
    """The layout in cylinders and angles may be the same: then only this tells the two apart."""
    shed("machine", "tiller Marigold", *changed)
    shed("attach", "2", clip(b"hunts", "again.m4a"), "--stage", "before")
    assert "told as another one from run 4 on" in told(shed("history", "tiller Marigold")[1])
    assert shed("compare", "--run", "2", "--run", "4")[0] == 3


def test_what_is_only_told_later_or_is_no_engine_is_none(shed):
    shed("machine", "tiller Marigold", "--idle-rpm", "1500", "--machine", "other", "--poles", "2")
    shed("attach", "2", clip(b"hunts", "again.m4a"), "--stage", "before")
    assert "told as another one" not in shed("history", "tiller Marigold")[1]


@pytest.mark.parametrize("command", ["machine", "take-in"])
def test_a_machine_told_otherwise_has_its_history_read_once(shed, command, monkeypatch):
    read = []
    whole = Store.history
    monkeypatch.setattr(Store, "history", lambda store, *given, **how: read.append(1) or whole(store, *given, **how))
    assert "told otherwise from now on" in another(shed, command)[2] and len(read) == 1
