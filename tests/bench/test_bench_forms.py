"""What a form writes down, and what it leaves alone. No outside source: these are the page's own promises."""

import pytest
from serve import new_job

from enginelog.store import open_store


@pytest.mark.parametrize(
    ("told", "changed"),
    [
        ({"rated_rpm": "3600"}, {"rated_rpm": 3600.0}),
        ({"strokes": "2"}, {"strokes": 2}),
        ({"kind": "pump"}, {"kind": "pump"}),
    ],
)
def test_what_is_told_anew_of_a_known_machine_leaves_the_rest(store, browser, told, changed):
    fields = {"strokes": "4", "cylinders": "1", "kind": "tiller", "rated_rpm": "3350", "idle_rpm": "1800"}
    assert browser.post("/jobs", {"label": "tiller Marigold"} | fields).status == 303
    with open_store(store) as opened:
        before = opened.machine("tiller Marigold")
    assert browser.post("/jobs", {"label": "Tiller  marigold"} | told).status == 303
    with open_store(store) as opened:
        after = opened.machine("tiller Marigold")
    names = ("kind", "strokes", "cylinders", "rated_rpm", "idle_rpm", "assumed")
    expected = {name: getattr(before, name) for name in names} | changed
    assert {name: getattr(after, name) for name in names} == expected


@pytest.mark.parametrize("minutes", ["7.5", "0,5"])
def test_minutes_are_not_cut_down_in_silence(store, browser, minutes):
    job = new_job(store)
    told = browser.post(f"/jobs/{job}/work", {"kind": "labour", "text": "cleaned", "minutes": minutes})
    assert told.status == 400 and "whole number" in told.text
