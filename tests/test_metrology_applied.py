"""What became of a proposal, seen from readings that were taken after it."""

from __future__ import annotations

import numpy as np
import pytest

from tuner.metrology.applied import Outcome, Promise, judge, went_elsewhere
from tuner.metrology.budget import Scale


def scale(value: float, u_relative: float = 0.0006) -> Scale:
    u = u_relative * value
    return Scale(value=value, u=u, U=2.1 * u, k=2.1, dof=20.0, contributions=())


TEETH = Promise(before=0.8003, u_before_relative=0.0006, factor=1.25, exact=True)
MEASURED = Promise(before=1.0042, u_before_relative=0.0004, factor=1 / 1.0042, exact=False)


@pytest.mark.parametrize(
    ("now", "outcome"),
    [
        (1.0004, "confirmed"),
        (0.8001, "not-applied"),
        (1.2508, "applied-twice"),
        (0.6397, "applied-inverse"),
        (1.08, "overshoot"),
        (0.93, "undershoot"),
        (0.71, "other-number"),
        (1.4, "overshoot"),
    ],
)
def test_a_wrong_tooth_count(now: float, outcome: str) -> None:
    assert judge(TEETH, scale(now)).outcome == outcome


@pytest.mark.parametrize(
    ("now", "outcome"),
    [
        (1.0001, "confirmed"),
        (1.0042, "not-applied"),
        (0.9958, "applied-twice"),
        (1.0084, "applied-inverse"),
        (0.9, "overshoot"),
        (1.05, "other-number"),
    ],
)
def test_a_measured_change_of_half_a_percent(now: float, outcome: str) -> None:
    assert judge(MEASURED, scale(now, 0.0002)).outcome == outcome


def test_a_change_that_does_not_stand_out_is_not_judged() -> None:
    small = Promise(before=1.001, u_before_relative=0.0005, factor=1 / 1.001, exact=False)
    judged = judge(small, scale(1.0005, 0.0008))
    assert judged.outcome == "cannot-tell"
    assert "0.1 %" in judged.says and "longer base" in judged.next


def test_what_is_said_names_how_far_it_is_off() -> None:
    assert "8 % too far" in judge(TEETH, scale(1.08)).says
    assert "7 % too short" in judge(TEETH, scale(0.93)).says


def test_the_other_axis_got_it_only_if_it_moved_by_that_much() -> None:
    assert went_elsewhere(TEETH, scale(1.2496))
    assert not went_elsewhere(TEETH, scale(1.0003))
    assert not went_elsewhere(TEETH, scale(1.1))
    assert not went_elsewhere(TEETH, scale(-1.0))


@pytest.mark.parametrize("promise", [TEETH, MEASURED])
def test_each_of_four_ways_is_told_from_the_others_in_every_draw(promise: Promise) -> None:
    random = np.random.default_rng(4)
    u = 0.0003
    right = promise.after
    ways: dict[Outcome, int] = {
        "confirmed": 0,
        "not-applied": -1,
        "applied-twice": 1,
        "applied-inverse": -2,
    }
    for outcome, times in ways.items():
        true = right * promise.factor**times
        heard = [
            judge(promise, scale(true * (1.0 + u * random.standard_normal()), u)).outcome
            for _ in range(200)
        ]
        # Beyond three standard uncertainties lie 0.3 % of all draws.
        assert heard.count(outcome) >= 197


def test_what_makes_no_sense_is_refused() -> None:
    with pytest.raises(ValueError, match="expected both above 0"):
        Promise(before=0.8, u_before_relative=0.001, factor=1.0, exact=True)
    with pytest.raises(ValueError, match="expected above 0"):
        judge(TEETH, scale(-0.2))
