"""A run as bytes and back: without loss, and never more than an error of one line for broken bytes."""

import json
import random
import zlib
from dataclasses import replace

import make_runs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from store_makers import same

from enginelog.model import Finding, Run
from enginelog.store import StoreUnreadableError, run_codec

FLOATS = st.floats(allow_nan=True, allow_infinity=True)


@pytest.mark.parametrize("name", [name for name in make_runs.ALL if name != "two_hours"])
def test_every_kind_of_run_comes_back_equal(name):
    run = make_runs.ALL[name]()
    again = run_codec.from_bytes(run_codec.to_bytes(run))
    assert isinstance(again, Run) and same(run, again)


def test_two_hours_come_back_equal():
    run = make_runs.two_hours()
    assert same(run, run_codec.from_bytes(run_codec.to_bytes(run)))


def test_the_comparison_sees_a_difference():
    run = make_runs.healthy_generator()
    moved = run.track.rpm.copy()
    moved[200] = np.nextafter(moved[200], np.inf)
    assert not same(run, replace(run, track=replace(run.track, rpm=moved)))
    assert not same(run, replace(run, track=replace(run.track, rpm=run.track.rpm.astype(np.float32))))


@settings(max_examples=60, deadline=None)
@given(
    hnp.arrays(st.sampled_from([np.float64, np.float32, np.int64, np.uint8, np.bool_, ">f8"]),
               hnp.array_shapes(min_dims=1, max_dims=3, min_side=0, max_side=6)),
    st.text(st.characters(codec=None)), FLOATS, st.none() | FLOATS,
)  # fmt: skip
def test_odd_arrays_texts_and_numbers_come_back_equal(array, text, number, maybe):
    run = make_runs.pulls_only()
    finding = Finding("x", "ok", text, maybe, text, number, next=(text, text))
    run = replace(
        run,
        track=replace(run.track, rhythm=array),
        measures=replace(run.measures, findings=(finding,)),
        limits_used={text: number},
    )
    again = run_codec.from_bytes(run_codec.to_bytes(run))
    little = replace(run, track=replace(run.track, rhythm=array.astype(array.dtype.newbyteorder("<"))))
    assert same(little.track, again.track) and same(little.measures, again.measures)
    assert repr(again.limits_used) == repr({text: number})


def test_numpy_numbers_in_single_fields_come_back_as_plain_ones():
    run = make_runs.pulls_only()
    timeline = replace(run.timeline, pulls=np.int64(5), engine_heard=np.bool_(False), confidence=np.float64(0.25))
    again = run_codec.from_bytes(run_codec.to_bytes(replace(run, timeline=timeline))).timeline
    assert (again.pulls, again.engine_heard, again.confidence) == (5, False, 0.25)
    assert type(again.pulls) is int and type(again.engine_heard) is bool


def test_an_array_that_could_run_code_is_refused():
    run = make_runs.pulls_only()
    for bad in (np.array([object()]), np.array(["text"])):
        with pytest.raises(TypeError, match="cannot be kept"):
            run_codec.to_bytes(replace(run, track=replace(run.track, rpm=bad)))


def test_broken_bytes_are_said_to_be_broken():
    data = run_codec.to_bytes(make_runs.hunting_pump())
    chance = random.Random(4)
    for _ in range(300):
        broken = bytearray(data)
        broken[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
        with pytest.raises(StoreUnreadableError, match="damaged"):
            run_codec.from_bytes(bytes(broken))
    for length in (0, 3, 4, 5, 50, len(data) - 5, len(data) - 1):
        with pytest.raises(StoreUnreadableError, match="damaged"):
            run_codec.from_bytes(data[:length])


def test_a_record_from_before_its_sum_was_kept_is_read():
    data = run_codec.to_bytes(make_runs.hunting_pump())
    assert run_codec.to_bytes(run_codec.from_bytes(data[:-4])) == data


def packed(head, body=b""):
    text = json.dumps(head).encode()
    return run_codec.MAGIC + zlib.compress(len(text).to_bytes(4, "big") + text + body)


def unpacked(data):
    raw = zlib.decompress(data[4:])
    length = int.from_bytes(raw[:4], "big")
    return json.loads(raw[4 : 4 + length]), raw[4 + length :]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda head: head.pop("run"),
        lambda head: head.pop("arrays"),
        lambda head: head.pop("codec"),
        lambda head: head["arrays"][0].__setitem__(0, "|O8"),
        lambda head: head["arrays"][0].__setitem__(1, [1 << 40]),
        lambda head: head["arrays"][0].__setitem__(1, [-1]),
        lambda head: head["arrays"].pop(),
        lambda head: head["run"]["track"].__setitem__("rpm", {"array": 99}),
        lambda head: head["run"]["track"].__setitem__("rpm", [1, 2]),
        lambda head: head["run"].__setitem__("clip", None),
        lambda head: head["run"]["clip"].pop("sha256"),
        lambda head: head["run"]["measures"].__setitem__("findings", 5),
    ],
)
def test_a_record_that_contradicts_itself_is_refused(spoil):
    head, body = unpacked(run_codec.to_bytes(make_runs.healthy_generator()))
    spoil(head)
    with pytest.raises(StoreUnreadableError):
        run_codec.from_bytes(packed(head, body))


def test_a_record_of_a_newer_version_is_refused_with_a_clear_line():
    head, body = unpacked(run_codec.to_bytes(make_runs.pulls_only()))
    with pytest.raises(StoreUnreadableError, match="newer enginelog"):
        run_codec.from_bytes(packed(head | {"codec": 2}, body))


def test_a_field_added_later_takes_its_default_and_one_unknown_is_passed_over():
    head, body = unpacked(run_codec.to_bytes(make_runs.pulls_only()))
    del head["run"]["quality"]["trust"]
    head["run"]["quality"]["moon"] = "full"
    assert run_codec.from_bytes(packed(head, body)).quality.trust == 1.0


def test_what_unpacks_without_end_is_stopped(monkeypatch):
    monkeypatch.setattr(run_codec, "LARGEST", 1000)
    with pytest.raises(StoreUnreadableError, match="unpacks to more"):
        run_codec.from_bytes(run_codec.MAGIC + zlib.compress(bytes(10_000)))
