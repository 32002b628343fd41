import math
from dataclasses import replace

import numpy as np
import pytest
from simulated_axis import BELT, BELT_STORED, Truth, read

from tuner.metrology.fit import fit
from tuner.metrology.reading import Columns, Reading, columns
from tuner.metrology.screen import screen
from tuner.metrology.targets import measuring_plan

TRUTH = Truth(0.8, play_mm=0.08, eccentric_mm=0.05)
HOW = {"grows": 1, "resolution_mm": 0.01, "turn_mm": 40.0}


def taken(n=10, seed=0, truth=TRUTH):
    plan = measuring_plan(BELT, BELT_STORED, reach=(0.0, 142.0), over_mm=1.0, count=n)
    return read(list(plan.targets), truth, seed)


def shown(readings, row, value):
    """The same readings with another value in `row`, counted from 1."""
    changed = list(readings)
    changed[row - 1] = replace(changed[row - 1], reading_mm=value)
    return changed


def found(readings, **how):
    return {one.row: one for one in screen(readings, **{**HOW, **how})}


@pytest.mark.parametrize("n", [4, 5, 6, 8, 10, 12, 20])
def test_good_readings_are_left_alone(n):
    assert not any(screen(taken(n, seed), **HOW) for seed in range(25))


@pytest.mark.parametrize(
    "truth",
    [
        Truth(0.5, play_mm=1.5),
        Truth(1.25, eccentric_mm=0.15),
        Truth(2.0, sigma_mm=0.03),
        Truth(1.0, play_mm=0.0, sigma_mm=0.0, eccentric_mm=0.0),
    ],
)
def test_neither_play_nor_an_eccentric_pulley_is_taken_for_a_slip(truth):
    assert not any(screen(taken(10, seed, truth), **HOW) for seed in range(25))


@pytest.mark.parametrize("off_mm", [0.3, -1.0, 10.0, -25.0])
@pytest.mark.parametrize("row", range(1, 11))
def test_any_one_of_ten_is_found_with_what_should_be_there(row, off_mm):
    for seed in range(5):
        good = taken(10, seed)
        right = good[row - 1].reading_mm
        wrong = round(right + off_mm, 2)
        if wrong <= 0.0:
            continue
        suspects = found(shown(good, row, wrong))
        if abs(off_mm) > 0.5:
            assert list(suspects) == [row]
        one = suspects[row]
        assert one.reading_mm == wrong
        assert one.commanded_mm == good[row - 1].commanded_mm
        assert abs(one.expected_mm - right) < 5.0 * math.hypot(one.u_mm, 0.02)
        assert one.p == max(other.p for other in suspects.values()) > 0.5


def test_an_unsteady_hand_is_rarely_asked_again():
    alarms = sum(bool(screen(taken(10, s, Truth(1.0, sigma_mm=0.05)), **HOW)) for s in range(100))
    assert alarms <= 0.05 * 100


def test_only_above_five_standard_deviations():
    good = taken(12, 3)
    for off_mm in (0.02, 0.05, 0.08):
        assert not found(shown(good, 6, round(good[5].reading_mm + off_mm, 2)))
    for seed in range(8):
        for off_mm in (0.1, 0.15, 0.2, 0.4):
            for one in found(
                shown(taken(12, seed), 6, round(taken(12, seed)[5].reading_mm + off_mm, 2))
            ).values():
                assert abs(one.reading_mm - one.expected_mm) > 5.0 * one.u_mm


def test_five_repeats_of_an_unsteady_hand_make_it_slower_to_point():
    readings = shown(taken(10, 1), 3, taken(10, 1)[2].reading_mm + 0.25)
    assert list(found(readings)) == [3]
    assert not found(readings, repeats=[[20.0, 20.12, 19.9, 20.06, 19.88]])


STEADY = Truth(0.8, play_mm=0.0, sigma_mm=0.0)  # 20.85 near, 116.85 far


@pytest.mark.parametrize(
    ("slip", "says"),
    [
        (4.6, "read in inch: 4.6 in are 116.84 mm"),
        (11.685, "the decimal point: 116.85 for 11.685"),
        (1168.5, "the decimal point: 116.85 for 1168.5"),
        (161.85, "two digits swapped: 116.85 for 161.85"),
        (116.25, "one digit: 116.85 for 116.25"),
        (55.55, None),
    ],
)
def test_what_the_slip_may_have_been_is_said(slip, says):
    good = taken(10, 0, STEADY)
    assert good[1].reading_mm == 116.85
    suspects = found(shown(good, 2, slip))
    assert list(suspects) == [2]
    assert suspects[2].looks_like == says


def test_two_digits_swapped_are_named_and_the_fit_hardly_moves():
    """81.37 typed 83.17; once it is read again the fit has moved by less than its u."""
    good = taken(10, 0, Truth(0.5, play_mm=0.0))
    row = 2
    assert good[row - 1].reading_mm == 80.56
    suspects = found(shown(good, row, 85.06))
    assert list(suspects) == [row]
    assert suspects[row].looks_like == "two digits swapped: 80.56 for 85.06"
    again = shown(good, row, round(suspects[row].expected_mm, 2))
    before, after = (fit(one, **HOW) for one in (good, again))
    assert abs(before.scale - after.scale) < before.u_scale


@pytest.mark.parametrize(("first", "second"), [(1, 2), (2, 4), (1, 6), (3, 7), (5, 8)])
def test_two_exchanged_readings_are_named_as_a_pair(first, second):
    for seed in range(10):
        good = taken(10, seed)
        a, b = good[first - 1].reading_mm, good[second - 1].reading_mm
        suspects = found(shown(shown(good, first, b), second, a))
        assert list(suspects) == [first, second]
        assert suspects[first].exchanged_with == second
        assert suspects[second].exchanged_with == first
        assert suspects[first].looks_like == f"exchanged with reading {second}"
        assert suspects[first].expected_mm == pytest.approx(a, abs=0.4)


@pytest.mark.parametrize("rows", [(6, 7, 8, 9, 10), (1, 2), (4, 5, 6)])
def test_a_stretch_in_inch_is_named_as_such(rows):
    readings = taken(10, 2)
    for row in rows:
        readings = shown(readings, row, round(readings[row - 1].reading_mm / 25.4, 4))
    suspects = found(readings)
    assert tuple(suspects) == rows
    assert all(one.looks_like.startswith("read in inch") for one in suspects.values())


@pytest.mark.parametrize(("n", "bad"), [(10, (2, 7)), (12, (1, 5, 9)), (20, (3, 8, 13, 18))])
def test_several_at_once(n, bad):
    for seed in range(5):
        readings = taken(n, seed)
        for at, row in enumerate(bad):
            readings = shown(readings, row, readings[row - 1].reading_mm + 1.0 + at)
        assert tuple(found(readings)) == bad


def test_where_the_readings_do_not_decide_every_candidate_is_named():
    """Four readings, one off by 1 mm: near or far, this side or that, nobody can know."""
    readings = shown(taken(4, 0), 1, taken(4, 0)[0].reading_mm + 1.0)
    suspects = found(readings)
    assert 1 in suspects
    assert len(suspects) > 1
    assert all(one.p < 0.6 for one in suspects.values())
    assert sum(one.p for one in suspects.values()) < 1.1


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_too_few_to_contradict_each_other(n):
    readings = [Reading(x, x**2, "plus", n=1) for x in (0.0, 50.0, 100.0)[:n]]
    assert screen(readings, **HOW) == ()


def test_several_visits_need_more_to_contradict_each_other():
    readings = [replace(one, visit=1 + at % 2) for at, one in enumerate(taken(4))]
    assert screen(shown(readings, 1, 500.0), **HOW) == ()


# --- more than twenty ---------------------------------------------------------------------


def many(n, bad, *, visits=1, seed=0):
    random = np.random.default_rng(seed)
    x = random.uniform(0.0, 120.0, n)
    side = random.choice([1.0, -1.0], n)
    visit = np.arange(n) * visits // n + 1
    y = 20.0 + 0.8 * x - 0.04 * side + 0.05 * np.sin(x / 40.0 * 2 * np.pi) + 3.0 * visit
    y = y + random.normal(0.0, 0.02, n)
    rows = random.choice(n, bad, replace=False)
    y[rows] += random.uniform(0.3, 9.0, bad) * random.choice([1.0, -1.0], bad)
    return Columns(x, np.round(y, 2), side, visit), {int(row) + 1 for row in rows}


@pytest.mark.parametrize(
    ("n", "bad", "visits"),
    [(21, 0, 1), (21, 5, 1), (50, 15, 1), (200, 60, 3), (5000, 50, 2), (600, 10, 30)],
)
def test_least_trimmed_squares_find_them_all_and_no_other(n, bad, visits):
    for seed in range(3 if visits < 20 else 1):
        data, rows = many(n, bad, visits=visits, seed=seed)
        suspects = screen(data, **HOW)
        assert {one.row for one in suspects} == rows
        assert [one.row for one in suspects] == sorted(rows)


def test_many_readings_are_not_accused_by_chance():
    data, _ = many(200_000, 0)
    assert screen(data, **HOW) == ()


def test_a_visit_that_is_one_misreading_harms_nobody():
    data, _ = many(40, 0)
    visit = data.visit.copy()
    visit[7] = 2
    y = data.reading_mm.copy()
    y[7] = 900.0
    assert screen(Columns(data.commanded_mm, y, data.side, visit), **HOW) == ()


def test_the_rows_of_a_pair_are_those_of_the_whole_table():
    """More than twenty visits are screened one by one; the numbers stay those of the table."""
    parts = []
    for visit in range(1, 23):
        part = [replace(one, visit=visit) for one in taken(10, visit)]
        if visit == 9:
            a, b = part[1].reading_mm, part[3].reading_mm
            part = shown(shown(part, 2, b), 4, a)
        parts += part
    suspects = found(columns(parts))
    assert list(suspects) == [82, 84]
    assert (suspects[82].exchanged_with, suspects[84].exchanged_with) == (84, 82)


def test_drift_is_known_where_times_are():
    plan = measuring_plan(BELT, BELT_STORED, reach=(0.0, 142.0), over_mm=1.0, count=10)
    readings = [
        replace(one, time_s=60.0 * at, reading_mm=one.reading_mm + 0.02 * at)
        for at, one in enumerate(read(list(plan.targets), TRUTH, 0))
    ]
    assert screen(readings, **HOW) == ()
    assert list(found(shown(readings, 4, readings[3].reading_mm + 1.0))) == [4]
