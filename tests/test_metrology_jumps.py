"""Sudden offsets: found where they are, sized, and not found where there are none."""

import math

import numpy as np
import pytest
from motion_world import row_of, world
from simulated_axis import BELT, BELT_STORED

from tuner.drive.scale import output_turn_mm
from tuner.metrology.fit import fit
from tuner.metrology.jumps import find_jumps, step_columns, without_jumps
from tuner.metrology.reading import Columns
from tuner.metrology.table import columns_of

TURN_MM = output_turn_mm(BELT, BELT_STORED)


def found_in(readings: Columns):
    return find_jumps(readings, grows=1, resolution_mm=0.01, turn_mm=TURN_MM)


@pytest.mark.parametrize("size_mm", [-0.8, 0.3, 4.0])
def test_a_jump_is_found_where_it_is_and_its_size_is_within_its_u(size_mm):
    off_in_u = []
    for seed in range(40):
        readings = world(seed, jumps=((row_of(seed), size_mm),))
        (jump,) = found_in(readings).found
        assert jump.before == row_of(seed) + 1
        off_in_u.append((jump.size_mm - size_mm) / jump.u_mm)
    assert 0.6 < math.sqrt(np.mean(np.square(off_in_u))) < 1.3


def test_a_jump_carries_the_move_and_the_pause_before_it():
    readings = world(1, jumps=((4, -0.8),), seconds_a_reading=45.0)
    (jump,) = found_in(readings).found
    assert jump.told_mm == readings.commanded_mm[4] - readings.commanded_mm[3]
    assert jump.paused_s == 45.0
    untimed = Columns(
        *(getattr(readings, name) for name in ("commanded_mm", "reading_mm", "side", "visit"))
    )
    assert found_in(untimed).found[0].paused_s is None


def test_two_jumps_are_told_apart():
    for seed in range(20):
        found = found_in(world(seed, jumps=((3, -0.8), (6, -4.0)))).found
        assert [one.before for one in found] == [4, 7]
        assert [one.size_mm for one in found] == pytest.approx([-0.8, -4.0], abs=0.15)


def test_no_jump_is_alarmed_for_on_a_healthy_machine():
    assert not any(found_in(world(seed)).found for seed in range(200))


def test_the_smallest_jump_is_one_that_is_seen():
    """Told are jumps seen nineteen times in twenty; half of that is seen seldom."""
    best_mm, worst_mm = found_in(world(0)).smallest_mm or (0.0, 0.0)
    assert 0.05 < best_mm < worst_mm < 0.25

    def seen(size_mm):
        return sum(
            bool(found_in(world(seed, jumps=((row_of(seed), size_mm),))).found)
            for seed in range(60)
        )

    assert seen(worst_mm) >= 51
    assert seen(best_mm / 2.0) <= 30


@pytest.mark.parametrize("row", [1, 9])
def test_what_only_one_reading_shows_is_no_jump(row):
    assert not any(found_in(world(seed, jumps=((row, -0.8),))).found for seed in range(10))


def test_a_step_is_of_its_visit_only():
    visit = np.array([1, 1, 1, 2, 2, 2])
    assert step_columns(visit, [1, 4]).T.tolist() == [[0, 1, 1, 0, 0, 0], [0, 0, 0, 0, 1, 1]]


def test_jumps_are_found_in_each_visit():
    one, other = world(1, jumps=((5, -0.8),)), world(2, jumps=((3, 2.0),))
    both = Columns(
        np.concatenate([one.commanded_mm, other.commanded_mm]),
        np.concatenate([one.reading_mm, other.reading_mm + 7.0]),
        np.concatenate([one.side, other.side]),
        np.repeat([1, 2], 10),
    )
    assert [jump.before for jump in found_in(both).found] == [6, 14]
    level = without_jumps(both, found_in(both).found)
    assert np.allclose(level[13:] - both.reading_mm[13:], -2.0, atol=0.1)


@pytest.mark.parametrize(
    ("n", "why"), [(0, "two readings before"), (3, "two readings before"), (501, "more than 500")]
)
def test_what_cannot_be_tested_is_told(n, why):
    at = np.tile([0.0, 100.0], n)[:n]
    found = find_jumps(columns_of(at, 20.0 + at), grows=1, resolution_mm=0.01)
    assert (found.found, found.smallest_mm) == ((), None)
    assert why in str(found.why_not)


def test_a_jump_in_the_fit_does_not_touch_the_scale():
    for seed in range(20):
        readings = world(seed, jumps=((row_of(seed), -2.4),))
        with_it = fit(readings, grows=1, resolution_mm=0.01, jumps=[row_of(seed)])
        assert abs(with_it.scale - 1.0) < 5.0 * with_it.u_scale < 0.002
        assert f"jump {row_of(seed) + 1}" in with_it.terms


def test_among_many_readings_a_small_jump_is_found():
    random = np.random.default_rng(7)
    at = random.uniform(0.0, 200.0, 400)
    reading = 20.0 + at + random.normal(0.0, 0.02, 400)
    reading[250:] += 0.03
    (jump,) = found_in(columns_of(at, reading)).found
    assert abs(jump.before - 251) <= 5
    assert jump.size_mm == pytest.approx(0.03, abs=0.01)
