"""The job record at work: machines remembered, jobs followed, entries written, found again, dropped and purged.

What is held here is the project's own description of the job record; there is no outside source.
"""

from dataclasses import replace
from datetime import UTC, datetime

import make_runs
import pytest
from store_makers import fill, run_of, same

from enginelog.model import Machine, Moment, TakeIn, UsageError
from enginelog.model.wording import money
from enginelog.store import NotInStoreError, engine_fields, moments, numbers


def test_a_machine_is_remembered_by_its_label(store):
    first = store.remember("tiller Marigold", kind="tiller", rated_rpm=3350.0, serial="X1")
    again = store.remember("  TILLER   marigold ", idle_rpm=1800.0)
    assert again.id == first.id and (again.rated_rpm, again.idle_rpm, again.serial) == (3350.0, 1800.0, "X1")
    assert len(store.machines()) == 1
    assert first.engine.machine == "tiller" and first.engine.rated_rpm == 3350.0


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"strokes": 3}, "2 or 4 expected"),
        ({"cylinders": 0}, "1 to 12"),
        ({"cylinders": 2}, "an angle each"),
        ({"cost_limit_cents": -1}, "-1 given"),
        ({"cost_limit_cents": 1.5}, "whole number"),
        ({"currency": "euros"}, "three letters"),
        ({"rated_rpm": float("nan")}, "finite"),
        ({"colour": "red"}, "no field"),
        ({"note": "a\x00b"}, "NUL"),
        ({"note": "a" * 20_001}, "20001 characters"),
    ],
)
def test_a_machine_that_cannot_be_is_refused_with_one_line(store, told, said):
    with pytest.raises(UsageError, match=said) as refused:
        store.remember("pump Heron", **told)
    assert "\n" not in str(refused.value) and not store.machines()


@pytest.mark.parametrize("label", ["", "  ", "a\nb", "a\x00b", "x" * 81, "a\u2028b", "a\x1bb"])
def test_a_label_is_one_line_of_text(store, label):
    with pytest.raises(UsageError, match="label of the machine"):
        store.add_machine(Machine(label))


@pytest.mark.parametrize(
    "label",
    ["mower B\u200b", "\u200b", "mow\u00ader B", "mower\u200d B", "\ufeffmower B", "B\u202e",
     "\u2800", "\u3164", "\u115f\u1160", "\ufe0f", "mower B\u2800", "mower\u3164B"],
)  # fmt: skip
def test_a_label_holds_nothing_that_cannot_be_seen(store, label):
    """'mower B' with a space of no width at its end was a second machine of the same name."""
    store.remember("mower B")
    with pytest.raises(UsageError, match=r"in which U\+[0-9A-F]{4} cannot be seen"):
        store.remember(label)
    with pytest.raises(UsageError, match="cannot be seen"):
        store.change_machine(replace(store.machine("mower B"), label=label))
    assert [machine.label for machine in store.machines()] == ["mower B"]


@pytest.mark.parametrize("text", ["\u200b", "\u2800 \u2800", "\u3164", " \ufeff\ufe0f", "\u00ad\n"])
def test_a_part_or_a_note_of_nothing_that_can_be_seen_is_none(store, text):
    """The owner reads which part was fitted. Blank to the eye: Unicode 15, Default_Ignorable_Code_Point, and U+2800."""
    job = store.take_in(store.remember("mower B"))
    for write in (lambda: store.add_work(job.id, "part", text, 300), lambda: store.add_notes(job.id, text)):
        with pytest.raises(UsageError, match="no text given|an empty text given"):
            write()
    assert not store.record(job.id).work and not store.job(job.id).note
    assert store.add_work(job.id, "part", f"plug{text}").text.startswith("plug")


def test_joiners_that_belong_to_what_is_seen_stay_and_so_does_a_label_that_is_there_already(store):
    for label in ("mower \U0001f468\u200d\U0001f527", "\u0645\u06cc\u200c\u0631\u0648\u062f"):
        assert store.remember(label).label == label
    store.remember("mower B")
    with store.transaction() as db:
        db.execute("UPDATE machines SET label = label || ?1, label_key = label_key || ?1 WHERE id = 3", ("\u200b",))
    old = store.machine("mower B\u200b")
    assert store.remember(old.label, serial="A-1").serial == "A-1"
    assert store.change_machine(replace(old, label="mower B")).label == "mower B"


HOSTILE = [
    "../../etc/passwd", "a'; DROP TABLE jobs; --", 'quo"te', "%_[a]*?", "\u202egpj.exe", "<script>alert(1)</script>",
    "=1+1", "naïve café \u0301", "\U0001f69c", "-x", "..", "con", "{0}{jobs}", "a\\b", "\ud800 half",
]  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE)
def test_any_text_is_kept_and_found_again(store, text):
    kept = text.encode("utf-8", "backslashreplace").decode()
    label = text.replace("\u202e", "")  # no label holds what cannot be seen
    machine = store.remember(label)
    job = store.take_in(machine, f"line one\n{text}", note=text)
    store.take_in(store.remember("another"), "else")
    assert store.machine(label).label == kept.replace("\u202e", "").strip()
    assert store.record(job.id).job.complaint == f"line one\n{kept}"
    assert [line.job.id for line in store.jobs(text.encode("utf-8", "backslashreplace").decode())] == [job.id]
    assert store.verify() == ()


def test_a_wrong_label_names_one_like_it(store):
    store.remember("tiller Marigold")
    with pytest.raises(NotInStoreError, match="did you mean 'tiller Marigold'"):
        store.machine("tiler marigold")


@pytest.mark.parametrize("number", [0, -1, 7, 10**30, True, "1", 1.0, None])
def test_a_wrong_number_is_refused_with_one_line(store, number):
    store.take_in(store.remember("pump Heron"))
    with pytest.raises(UsageError) as refused:
        store.record(number)
    assert "\n" not in str(refused.value)
    assert "expected" in str(refused.value) or "only 1 is there" in str(refused.value)


def test_next_seasons_job_starts_from_the_last_one(store):
    store.take_in(store.remember("saw Badger", strokes=2, kind="saw", serial="77"), "smokes")
    machine = store.machine("saw badger")
    second = store.take_in(machine, "smokes again")
    record = store.record(second.id)
    assert record.machine.strokes == 2 and record.machine.serial == "77"
    assert [visit.job.complaint for visit in store.history("saw Badger").visits] == ["smokes", "smokes again"]


def test_a_job_goes_from_open_to_handed_back_and_its_steps_stay_on_record(store):
    job = store.take_in(store.remember("pump Heron"), "hunts")
    assert (job.state, job.since) == ("open", job.opened)
    assert store.wait(job.id, "a gasket").waiting_for == "a gasket"
    assert store.reopen(job.id).waiting_for == ""
    assert store.record(job.id).reopened is None, "it had not been handed back"
    done = store.finish(job.id)
    back = store.hand_back(job.id, "keep the tank full", "leaks", "spring 2027", b"report")
    assert (back.state, back.closed) == ("handed_back", done.closed)
    assert back.handback.told_owner == "keep the tank full"
    assert store.file_path(back.handback.report_sha256).read_bytes() == b"report"
    assert [event[1] for event in store.events(job.id)] == ["taken in", "waiting", "reopened", "done", "handed back"]
    again = store.reopen(job.id)
    assert again.handback is None and again.closed is None
    assert store.hand_back(job.id, "second time").handback.told_owner == "second time"
    assert store.count("handbacks") == 2


def test_a_state_cannot_begin_before_the_job(store):
    job = store.take_in(store.remember("pump Heron"))
    with pytest.raises(UsageError, match="taken in"):
        store.finish(job.id, at=Moment("2001-01-01T00:00:00Z"))
    assert store.job(job.id).state == "open"


def test_what_was_written_at_take_in_can_be_put_right_and_the_old_words_stay(store):
    job = store.take_in(store.remember("pump Heron"), "hunts", TakeIn(oil_level="full"))
    changed = store.change_job(job.id, complaint="surges", seen=TakeIn(oil_level="low"))
    assert (changed.complaint, changed.seen.oil_level) == ("surges", "low")
    assert store.change_job(job.id, add_note="one").note == "one"
    assert store.change_job(job.id, add_note="two").note == "one\ntwo"
    assert "complaint was: hunts" in store.events(job.id)[1][2] and "oil_level was: full" in store.events(job.id)[1][2]
    assert store.jobs("hunts") == () and len(store.jobs("surges two")) == 1


def test_checks_are_kept_with_reading_and_photo(store, tmp_path):
    job = store.take_in(store.remember("pump Heron"))
    photo = tmp_path / "..weird 'name'.JPG"
    photo.write_bytes(b"picture")
    check = store.tick(job.id, "Fuel-Tank", "fail", "water in it", 12.5, "ml", photo)
    assert (check.step, check.result, check.reading, check.unit) == ("fuel_tank", "fail", 12.5, "ml")
    kept = store.file_path(check.photo_sha256)
    assert kept.read_bytes() == b"picture" and kept.suffix == ".jpg" and kept.parent == store.files.folder
    assert store.record(job.id).checks == (check,)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda store: store.tick(1, "sparkk", "pass"), "compression, spark, fuel-tank"),
        (lambda store: store.tick(1, "spark", "maybe"), "pass, fail, not_checked"),
        (lambda store: store.tick(1, "spark", "pass", reading=float("inf")), "finite number"),
        (lambda store: store.tick(9, "spark", "pass"), "no job 9"),
        (lambda store: store.add_work(1, "part", "plug", -5), "-5 given"),
        (lambda store: store.add_work(1, "part", "plug", 5, -1), "-1 given"),
        (lambda store: store.add_work(1, "part", "plug", quantity=0), "above 0"),
        (lambda store: store.add_work(1, "gift", "plug"), "part, fluid, labour"),
        (lambda store: store.attach(1, run_of(b"x"), "later"), "before, during, after"),
        (lambda store: store.run(3), "no run 3"),
        (lambda store: store.jobs(states=["lost"]), "open, waiting"),
        (lambda store: store.drop("thing", 1), "job, machine"),
        (lambda store: store.purge(-1), "whole number"),
        (lambda store: store.drop("machine", 1), "drop those first"),
    ],
)
def test_a_wrong_entry_is_refused_with_one_line_and_nothing_is_written(store, call, said):
    store.take_in(store.remember("pump Heron"))
    before = store.count("checks"), store.count("work"), store.count("runs"), len(store.events(1))
    with pytest.raises(UsageError, match=said) as refused:
        call(store)
    assert "\n" not in str(refused.value)
    assert before == (store.count("checks"), store.count("work"), store.count("runs"), len(store.events(1)))


def test_a_missing_photo_or_recording_is_said(store, tmp_path):
    store.take_in(store.remember("pump Heron"))
    with pytest.raises(NotInStoreError, match="no such photo"):
        store.tick(1, "spark", "pass", photo=tmp_path / "none.jpg")
    with pytest.raises(NotInStoreError, match="no such recording"):
        store.attach(1, run_of(b"x"), "before", recording=tmp_path / "none.m4a")


def test_work_is_added_up_in_whole_cents_against_the_limit(store):
    job = store.take_in(store.remember("pump Heron", cost_limit_cents=1000))
    for _ in range(10):
        store.add_work(job.id, "part", "clip", 10, 3)  # ten times 0.10, which as a float would not be 1.00
    record = store.record(job.id)
    assert (record.cost_cents, record.minutes, record.left_cents) == (100, 30, 900)
    store.add_work(job.id, "fluid", "oil", 1000, quantity=0.6)
    assert store.record(job.id).left_cents == -100


def test_a_run_is_kept_with_its_recording(store, tmp_path):
    job = store.take_in(store.remember("pump Heron"))
    recording = tmp_path / "before.m4a"
    recording.write_bytes(b"sound")
    run = run_of(b"sound", make_runs.hunting_pump)
    kept = store.attach(job.id, run, "before", ("cold", "choke on"), "windy", recording)
    assert same(kept.run, run) and same(store.run(kept.id).run, run)
    assert store.recording(kept.id).read_bytes() == b"sound"
    assert kept.analysis.figures.hunting_swing_percent == 6.9 and kept.analysis.figures.worst == "fault"
    assert kept.conditions == ("cold", "choke on") and kept.program_version == "0.1.0"
    assert store.run(kept.id, whole=False).run is None


def test_a_before_of_pulls_alone_is_a_before(store):
    job = store.take_in(store.remember("pump Heron"))
    kept = store.attach(job.id, make_runs.pulls_only(), "before")
    assert not kept.analysis.figures.heard and kept.analysis.figures.pulls == 5 and not kept.recording_kept
    assert store.record(job.id).of_stage("before")[0].run.timeline.pulls == 5
    with pytest.raises(NotInStoreError, match="--from"):
        store.recording(kept.id)


def test_a_recording_that_is_not_the_one_analysed_is_refused(store, tmp_path):
    job = store.take_in(store.remember("pump Heron"))
    recording = tmp_path / "before.m4a"
    recording.write_bytes(b"changed meanwhile")
    with pytest.raises(UsageError, match="attach it again"):
        store.attach(job.id, run_of(b"sound"), "before", recording=recording)
    assert store.count("runs") == 0 and list(store.files.folder.iterdir()) == []


def test_an_old_analysis_stays_beside_the_new_one(store):
    job = store.take_in(store.remember("pump Heron"))
    old = run_of(b"sound", make_runs.hunting_pump)
    first = store.attach(job.id, old, "before")
    new = replace(run_of(b"sound"), program_version="0.9.0")
    second = store.add_analysis(first.id, new)
    assert second.program_version == "0.9.0" and same(second.run, new)
    assert [each.program_version for each in second.earlier] == ["0.1.0"]
    assert same(store.analysed(second.earlier[0].id), old)
    with pytest.raises(UsageError, match="another recording"):
        store.add_analysis(first.id, run_of(b"other"))


def test_jobs_are_listed_filtered_and_paged(store):
    tiller, mower = store.remember("tiller Marigold"), store.remember("mower Clover")
    ids = [store.take_in(tiller if n % 2 else mower, f"complaint {n}").id for n in range(10)]
    store.wait(ids[2], "a part")
    store.finish(ids[3])
    store.attach(ids[4], make_runs.pulls_only(), "after")
    assert [line.job.id for line in store.jobs()] == ids[::-1]
    assert [line.job.id for line in store.jobs(limit=3, offset=2)] == ids[::-1][2:5]
    assert [line.job.id for line in store.jobs(states=["waiting", "done"])] == [ids[3], ids[2]]
    assert [line.job.id for line in store.jobs(machine="mower clover", limit=2)] == [ids[8], ids[6]]
    assert [line.job.id for line in store.jobs(stage="after")] == [ids[4]]
    assert store.count_jobs(machine=tiller.id) == 5 and store.count_jobs("complaint 7") == 1


def test_what_waits_longest_comes_first(store):
    first, second, third = (store.take_in(store.remember(f"pump {n}")).id for n in range(3))
    store.wait(first, "a part")  # in its state for a shorter time than the second
    store.finish(third)
    assert [line.job.id for line in store.jobs(longest_waiting=True)] == [second, first]


def test_search_looks_into_everything_written_and_every_word_must_be_there(store, tmp_path):
    first, second, _ = fill(store, tmp_path, ("stutters", "naïve Straße"))
    assert [line.job.id for line in store.jobs("MARIGOLD")] == [first]
    for words in ("spark plug", "strasse naïve", "varnish", "smoke april", "plug.jpg", "a-17", "gasket", "compress"):
        assert len(store.jobs(words)) >= 1, words
    assert [line.job.id for line in store.jobs("gasket clover")] == [second]
    assert store.jobs("marigold gasket") == ()
    assert len(store.jobs("")) == 2


def test_a_changed_label_is_found_under_its_new_name_alone(store):
    job = store.take_in(store.remember("pump Heron"))
    store.change_machine(replace(store.machine("pump Heron"), label="pump Kingfisher"))
    assert store.jobs("heron") == () and [line.job.id for line in store.jobs("kingfisher")] == [job.id]


def test_history_shows_every_visit_with_its_figures(store, tmp_path):
    first, _, dropped = fill(store, tmp_path)
    found = store.history("tiller Marigold")
    assert [visit.job.id for visit in found.visits] == [first]
    assert found.visits[0].cost_cents == 450 and found.visits[0].job.handback.watch == "smoke"
    assert len(found.visits[0].runs[0].earlier) == 1 and found.visits[0].runs[0].run is None


def test_dropping_is_marking_and_can_be_undone(store, tmp_path):
    first, second, _ = fill(store, tmp_path)
    record = store.record(first)
    store.drop("check", record.checks[0].id)
    store.drop("work", record.work[0].id)
    store.drop("run", record.runs[0].id)
    thinner = store.record(first)
    assert (len(thinner.checks), thinner.work, thinner.runs, thinner.cost_cents) == (1, (), (), 0)
    for kind, entry in (("check", record.checks[0]), ("work", record.work[0]), ("run", record.runs[0])):
        store.drop(kind, entry.id, undo=True)
    back = store.record(first)
    assert (back.checks, back.work) == (record.checks, record.work) and same(back.runs, record.runs)
    store.drop("job", second)
    assert [line.job.id for line in store.jobs(dropped=True)] == [3, 2] and store.jobs("gasket") == ()
    with pytest.raises(NotInStoreError, match="dropped"):
        store.tick(second, "spark", "pass")
    store.drop("machine", store.machine("mower Clover").id)
    store.drop("job", second, undo=True)
    assert store.machine("mower Clover").dropped is None and store.job(second).state == "waiting"


def test_purge_takes_what_was_dropped_and_nothing_else(store, tmp_path):
    first, second, third = fill(store, tmp_path)
    record = store.record(first)
    photo, report = record.checks[0].photo_sha256, record.job.handback.report_sha256
    assert store.purge(older_than_days=1).jobs == 0
    store.drop("check", record.checks[0].id)
    gone = store.purge()
    assert (gone.jobs, gone.checks, gone.files, gone.bytes) == (1, 1, 1, len(b"picture"))
    with pytest.raises(NotInStoreError):
        store.file_path(photo)
    assert store.file_path(report).is_file() and same(store.record(first).runs, record.runs)
    assert store.verify() == ()
    store.drop("job", first)
    gone = store.purge()
    assert (gone.jobs, gone.runs, gone.work, gone.files) == (1, 1, 1, 2)
    assert list(store.files.names()) == [] and store.verify() == ()
    assert store.take_in(store.remember("pump Heron")).id == third + 1, "a purged number is never given again"


def test_a_file_two_entries_share_stays_until_both_are_gone(store, tmp_path):
    job = store.take_in(store.remember("pump Heron"))
    photo = tmp_path / "a.jpg"
    photo.write_bytes(b"picture")
    one = store.tick(job.id, "spark", "fail", photo=photo)
    two = store.tick(job.id, "air", "fail", photo=photo)
    store.drop("check", one.id)
    assert store.purge().files == 0 and store.file_path(two.photo_sha256).is_file()


def test_a_file_left_behind_by_a_killed_program_goes_once_it_is_old(store):
    import os

    young, _, _ = store.files.put_bytes(b"just being attached", "a.m4a")
    old, _, _ = store.files.put_bytes(b"left behind", "b.m4a")
    os.utime(store.files.names()[old], (1e9, 1e9))
    assert store.purge().files == 1
    assert list(store.files.names()) == [young]


def test_verify_names_what_is_gone_or_changed(store, tmp_path):
    fill(store, tmp_path)
    assert store.verify() == ()
    paths = sorted(store.files.names().values())
    paths[0].write_bytes(b"changed")
    paths[1].unlink()
    assert {problem.where for problem in store.verify()} == {paths[0].name, paths[1].name}


def test_verify_finds_a_record_whose_bytes_have_changed(store):
    """SQLite's own check does not look into what a row holds; each record has a checksum."""
    store.take_in(store.remember("pump Heron"))
    store.attach(1, make_runs.hunting_pump(), "before")
    data = bytearray(store._rows("SELECT data FROM records")[0]["data"])
    data[len(data) // 2] ^= 1
    with store.transaction() as db:
        db.execute("UPDATE records SET data = ?", (bytes(data),))
    (problem,) = store.verify()
    assert problem.where == "run 1, analysis 1" and "damaged" in problem.text


def test_a_transaction_is_all_or_nothing(store):
    with pytest.raises(UsageError), store.transaction():
        store.take_in(store.remember("pump Heron"))
        store.take_in(99)
    assert store.machines() == () and store.jobs() == ()


@pytest.mark.parametrize("text", ["12", "12.5", "12,50", " 0.05 ", "0"])
def test_money_is_read_in_cents(text):
    assert numbers.money(text) == {"12": 1200, "12.5": 1250, "12,50": 1250, "0.05": 5, "0": 0}[text.strip()]


@pytest.mark.parametrize("text", ["", "-1", "1.234", "1e3", "12 EUR", "1,234.50", "inf", "٣", "1" * 12])
def test_what_is_no_amount_is_refused(text):
    with pytest.raises(UsageError, match="12.50 expected"):
        numbers.money(text)


@pytest.mark.parametrize("cents", [0, 5, 99, 100, 1234, -5, -1234])
def test_money_is_shown_as_it_is_read(cents):
    shown = money(cents)
    assert (-1 if shown[0] == "-" else 1) * numbers.money(shown.lstrip("-")) == cents


@pytest.mark.parametrize(
    "text", ["", "yesterday", "2026-13-01", "1889-01-01", "2999-01-01", "0001-01-01", "9999-12-31T23:59:59-12:00"]
)
def test_an_absurd_date_is_refused(text):
    with pytest.raises(UsageError, match="a date such as"):
        moments.given(text)


def test_times_are_utc_with_the_zone_kept():
    """Central European Summer Time is two hours ahead of UTC (European directive 2000/84/EC)."""
    at = moments.given("2026-04-12T09:20:00+02:00")
    assert at == Moment("2026-04-12T07:20:00Z", "+02:00") and at.local.isoformat() == "2026-04-12T09:20:00+02:00"
    newfoundland = Moment("2026-01-01T00:00:00Z", "-03:30")
    assert newfoundland.local.isoformat() == "2025-12-31T20:30:00-03:30" and newfoundland.local_date == "2025-12-31"
    assert moments.moment(datetime(2026, 1, 1, tzinfo=UTC)).zone == "+00:00"


@pytest.mark.parametrize(
    ("word", "found"), [("%", [1]), ("_", [2]), ("\\", [3]), ("5%", [1]), ("a_b", [2]), ("c\\d", [3])]
)
def test_signs_that_mean_something_in_a_pattern_stand_for_themselves(store, word, found):
    machine = store.remember("pump Heron")
    for complaint in ("at 5% load", "a_b", "c\\d", "axb 50 cd"):
        store.take_in(machine, complaint)
    assert [line.job.id for line in store.jobs(word)] == found


@pytest.mark.parametrize(
    ("told", "strokes", "cylinders", "angles"),
    [({}, 4, 2, (0.0, 270.0)), ({"cylinders": 1}, 4, 1, (0.0,)), ({"strokes": "2"}, 2, 2, (0.0, 180.0)),
     ({"firing_angles": (0.0,)}, 4, 1, (0.0,)), ({"rated_rpm": 3100.0}, 4, 2, (0.0, 270.0))],
)  # fmt: skip
def test_angles_that_were_told_go_with_the_layout_they_were_told_for(told, strokes, cylinders, angles):
    """Angles of a twin are none of a single; those of a two-stroke lie within 360 degrees (README, firing angles)."""
    known = Machine("generator", strokes=4, cylinders=2, firing_angles_deg=(0.0, 270.0))
    names = ("strokes", "cylinders", "firing_angles", "rated_rpm", "idle_rpm", "machine", "blade_length_mm", "poles")
    fields = engine_fields(known, dict.fromkeys(names) | told, {name: name for name in names})
    assert (fields["strokes"], fields["cylinders"], fields["firing_angles_deg"]) == (strokes, cylinders, angles)
