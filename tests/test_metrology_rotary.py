"""A turning axis: whole turns behind an index mark, and how sure its scale is."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuner.metrology.fit import fit
from tuner.metrology.reading import Reading
from tuner.metrology.rotary import MARK_STEP_DEG, index_scale, unwrapped


@given(st.floats(-3600.0, 3600.0), st.floats(-179.0, 179.0))
def test_the_turns_behind_a_mark_are_those_that_were_expected(turned: float, off: float) -> None:
    shows = math.remainder(turned, 360.0)
    assert unwrapped(shows, turned + off) == pytest.approx(turned, abs=1e-6)


def test_by_hand() -> None:
    # Three turns and 12 degrees were expected, the mark shows 9: 1089 degrees.
    assert unwrapped(9.0, 1092.0) == pytest.approx(1089.0)
    assert unwrapped(-179.9, 180.2) == pytest.approx(180.1)


@pytest.mark.parametrize("wrong", [math.nan, math.inf])
def test_no_number_is_no_angle(wrong: float) -> None:
    with pytest.raises(ValueError, match="two numbers"):
        unwrapped(wrong, 0.0)
    with pytest.raises(ValueError, match="two numbers"):
        unwrapped(0.0, wrong)


def _readings(scale: float, noise: np.ndarray) -> list[Reading]:
    places = (-540.0, 540.0, 540.0, -540.0, -540.0, 540.0)
    sides = ("plus", "plus", "minus", "minus", "plus", "plus")
    return [
        Reading(at, round(scale * at + off, 1), side, n=n)
        for n, (at, side, off) in enumerate(zip(places, sides, noise, strict=True), 1)
    ]


def test_worked_by_hand() -> None:
    # 89 teeth for 90: 1080 degrees told are 1080 x 90 / 89 = 1092.1 turned.
    found = index_scale(
        fit(_readings(90.0 / 89.0, np.zeros(6)), grows=1, resolution_mm=MARK_STEP_DEG)
    )
    assert found.value == pytest.approx(1092.1 / 1080.0, abs=1e-4)
    mark = next(one for one in found.contributions if one.name == "index mark")
    assert mark.u_relative == pytest.approx(2.0 * 0.2 / math.sqrt(6.0) / 1092.2, rel=1e-3)
    assert found.U_relative < 0.0006


def test_the_interval_holds_the_truth() -> None:
    random = np.random.default_rng(7)
    trials, held = 400, 0
    for _ in range(trials):
        found = index_scale(
            fit(
                _readings(1.0, 0.1 * random.standard_normal(6)),
                grows=1,
                resolution_mm=MARK_STEP_DEG,
            )
        )
        held += abs(found.value - 1.0) <= found.U
    # The mark's own share is in the interval and not in this noise.
    assert held >= 0.95 * trials
