"""Where an axis may go is judged in true millimetres at the worst credible scale."""

from __future__ import annotations

import math

import pytest

from tuner.errors import OutsideEnvelope
from tuner.messages import Limits
from tuner.safety.envelope import check_inside, is_near_end, true_interval


def limits(
    minus_mm: float, plus_mm: float, low: float, high: float, direction_seen: bool = True
) -> Limits:
    return Limits(
        axis="x", minus_mm=minus_mm, plus_mm=plus_mm, scale_low=low, scale_high=high,
        direction_seen=direction_seen,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("limits_", "commanded_mm", "interval"),
    [
        (limits(-9, 9, 0.5, 2.0), 10.0, (5.0, 20.0)),
        (limits(-9, 9, 0.5, 2.0), -10.0, (-20.0, -5.0)),
        (limits(-9, 9, 0.5, 2.0), 0.0, (0.0, 0.0)),
        (limits(-9, 9, 1 / 25.4, 25.4, False), 1.0, (-25.4, 25.4)),
        (limits(-9, 9, 1 / 25.4, 25.4, False), -1.0, (-25.4, 25.4)),
    ],
)
def test_what_a_commanded_position_can_truly_mean(
    limits_: Limits, commanded_mm: float, interval: tuple[float, float]
) -> None:
    assert true_interval(limits_, commanded_mm) == pytest.approx(interval)


@pytest.mark.parametrize(
    ("limits_", "low_mm", "high_mm"),
    [
        # 1 mm may be an inch: NIST SP 811, 25.4 mm
        (limits(-25.4, 25.4, 1 / 25.4, 25.4, False), -1.0, 1.0),
        (limits(-100.0, 25.4, 1 / 25.4, 25.4, False), -1.0, 1.0),
        (limits(-25.4, 100.0, 1 / 25.4, 25.4, False), -1.0, 1.0),
        (limits(-25.4, 100.0, 0.25, 4.0), -6.35, 25.0),
        (limits(-20.0, 40.0, 0.79, 0.81), -20.0 / 0.81, 40.0 / 0.81),
        (limits(-20.0, 40.0, 0.0, 2.0), -10.0, 20.0),
        (limits(0.0, 40.0, 1.0, 1.0), 0.0, 40.0),
    ],
)
def test_the_reach_is_free_and_a_hair_beyond_is_not(
    limits_: Limits, low_mm: float, high_mm: float
) -> None:
    check_inside(limits_, low_mm)
    check_inside(limits_, high_mm)
    for outside_mm in (low_mm - 1e-4, high_mm + 1e-4):
        with pytest.raises(OutsideEnvelope, match="declare more free travel"):
            check_inside(limits_, outside_mm)


def test_a_millionth_of_a_millimetre_is_rounding() -> None:
    check_inside(limits(0.0, 0.0, 1.0, 1.0), -1e-6)
    check_inside(limits(0.0, 0.0, 1.0, 1.0), 1e-6)
    for outside_mm in (-1.1e-6, 1.1e-6):
        with pytest.raises(OutsideEnvelope):
            check_inside(limits(0.0, 0.0, 1.0, 1.0), outside_mm)


@pytest.mark.parametrize("wrong", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_outside(wrong: float) -> None:
    with pytest.raises(OutsideEnvelope):
        check_inside(limits(-9, 9, 0.5, 2.0), wrong)
    for doubtful in (
        limits(wrong, 9, 0.5, 2.0), limits(-9, wrong, 0.5, 2.0), limits(-9, 9, wrong, 2.0),
        limits(-9, 9, 0.5, wrong), limits(-9, 9, 0.5, wrong, False),
    ):  # fmt: skip
        with pytest.raises(OutsideEnvelope):
            check_inside(doubtful, 1.0)


@pytest.mark.parametrize(
    ("to_mm", "near"),
    [
        (0.0, False), (29.5, False), (30.0, False), (30.001, True), (31.0, True),
        (-9.5, False), (-10.0, False), (-10.001, True), (-11.0, True),
    ],
)  # fmt: skip
def test_the_last_10_mm_are_near_an_end(to_mm: float, near: bool) -> None:
    assert is_near_end(limits(-20.0, 40.0, 1.0, 1.0), to_mm) is near


def test_what_may_have_been_lost_must_be_free_both_ways() -> None:
    astray = Limits(
        axis="x",
        minus_mm=-50.0,
        plus_mm=50.0,
        scale_low=1.0,
        scale_high=1.0,
        direction_seen=True,
        astray_mm=40.0,
    )
    assert true_interval(astray, 10.0) == (-30.0, 50.0)
    check_inside(astray, 10.0)
    check_inside(astray, -10.0)
    assert is_near_end(astray, 10.0)
    for outside_mm in (10.1, -10.1):
        with pytest.raises(OutsideEnvelope):
            check_inside(astray, outside_mm)


@pytest.mark.parametrize("wrong", [math.nan, math.inf])
def test_lost_by_no_number_is_outside(wrong: float) -> None:
    limits = Limits(
        axis="x",
        minus_mm=-9.0,
        plus_mm=9.0,
        scale_low=1.0,
        scale_high=1.0,
        direction_seen=True,
        astray_mm=wrong,
    )
    with pytest.raises(OutsideEnvelope):
        check_inside(limits, 0.0)
