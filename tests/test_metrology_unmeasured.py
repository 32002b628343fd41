import json

import pytest
from simulated_axis import Truth, judge

from tuner.metrology.unmeasured import without_fit

CAUSE = {"name": "not-powered", "p": 1.0, "says": "nothing moved", "check": "look at the plug"}


@pytest.mark.parametrize("cause", [None, CAUSE])
def test_a_finding_without_fit_has_the_keys_of_every_other(cause):
    report = without_fit(verdict="repair-first", axis="x", next="look", cause=cause)
    measured = judge(Truth(1.0), 0).as_json(file=None, axis="x")
    assert set(report) == set(measured)
    assert json.loads(json.dumps(report, allow_nan=False)) == report
    assert all(report[key] is None for key in report["not_tested"])
    assert [set(one) for one in report["causes"]] == [set(measured["causes"][0])] * bool(cause)


@pytest.mark.parametrize(
    ("n", "why"),
    [(0, "no readings were taken"), (3, "measuring ended after 3 readings")],
)
def test_why_nothing_was_tested_is_said(n, why):
    report = without_fit(verdict="measure-again", axis="x", next="look", n=n)
    assert report["n"] == n
    assert set(report["not_tested"].values()) == {why}
    assert (report["value_known"], report["place_anew"]) == (False, False)
