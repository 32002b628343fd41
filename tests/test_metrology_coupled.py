"""Two motors on coupled belts: four slopes, a turned datum, a skew of the guides."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tuner.metrology.budget import Contribution, Scale, combined
from tuner.metrology.coupled import Coupled, Slopes, motor_scales

U = 0.0003


def scale(value: float) -> Scale:
    return combined(
        value, (Contribution("readings", U / value, 6.0), Contribution("caliper", 0.0002))
    )


def seen(
    s_a: float,
    s_b: float,
    *,
    turned_rad: float = 0.0,
    skew_rad: float = 0.0,
    u_skew_rad: float = 0.003,
    noise: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0),
) -> Coupled:
    """What is found where the motors go `s_a` and `s_b` of what they are told.

    Worked out by moving the belts, not by the formulas of the module.
    """

    def place(x_told: float, y_told: float) -> tuple[float, float]:
        a, b = s_a * (x_told + y_told), s_b * (x_told - y_told)
        x, y = (a + b) / 2.0, (a - b) / 2.0
        x_skew, y_skew = x + skew_rad * y, y + skew_rad * x
        cos, sin = math.cos(turned_rad), math.sin(turned_rad)
        return cos * x_skew + sin * y_skew, cos * y_skew - sin * x_skew

    (xx, yx), (xy, yy) = place(1.0, 0.0), place(0.0, 1.0)
    return motor_scales(
        Slopes(scale(xx + noise[0]), scale(yy + noise[1]), xy + noise[2], U, yx + noise[3], U),
        u_skew_rad=u_skew_rad,
    )


def test_a_machine_as_described_moves_straight() -> None:
    found = seen(1.0, 1.0)
    assert found.a.value == pytest.approx(1.0) and found.b.value == pytest.approx(1.0)
    assert found.consistent and not found.apart and not found.slanted
    assert found.a.U < 0.002


def test_by_hand_sixteen_teeth_on_motor_a() -> None:
    # a goes 0.8 of its way: X +100 leads to a +80, b +100, so x = 90 and y = -10.
    found = seen(0.8, 1.0)
    assert found.a.value == pytest.approx(0.8) and found.b.value == pytest.approx(1.0)
    assert found.difference == pytest.approx(-0.2)
    assert found.apart and not found.slanted


@pytest.mark.parametrize("turned_rad", [-0.02, 0.01])
def test_a_turned_datum_cancels(turned_rad: float) -> None:
    found = seen(0.8, 1.0, turned_rad=turned_rad)
    assert found.rotation_rad == pytest.approx(turned_rad, rel=0.02)
    assert found.a.value == pytest.approx(0.8, abs=3e-4)
    assert found.b.value == pytest.approx(1.0, abs=3e-4)


def test_a_skew_looks_like_a_difference_and_is_not_taken_for_one() -> None:
    found = seen(1.0, 1.0, skew_rad=0.004)
    assert found.difference == pytest.approx(0.008)
    assert found.slanted and not found.apart
    assert 2 * found.u_difference < found.a.U  # what the skew may be stands in the budget


def test_a_right_angle_known_better_tells_them_apart() -> None:
    assert seen(1.004, 0.996, u_skew_rad=0.0005).apart
    assert not seen(1.004, 0.996, u_skew_rad=0.003).apart


def test_x_and_y_that_travel_differently_are_no_pair_of_motors() -> None:
    found = motor_scales(Slopes(scale(1.0), scale(0.8), 0.0, U, 0.0, U), u_skew_rad=0.003)
    assert not found.consistent


def test_the_interval_of_each_motor_holds_its_truth() -> None:
    random = np.random.default_rng(12)
    trials = 2000
    held = 0
    for _ in range(trials):
        noise = tuple(float(one) for one in U * random.standard_normal(4))
        found = seen(0.8, 1.0, u_skew_rad=1e-6, noise=noise)
        held += abs(found.a.value - 0.8) <= found.a.U
    # The caliper's share is in the interval and not in this noise.
    assert held >= 0.95 * trials


def test_what_makes_no_sense_is_refused() -> None:
    with pytest.raises(ValueError, match="nothing is square"):
        seen(1.0, 1.0, u_skew_rad=0.0)
    with pytest.raises(ValueError, match="the other way"):
        seen(-1.0, -1.0)
