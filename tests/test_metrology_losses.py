"""What was lost on the way out and back: alarm, size, and what it is."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from simulated_axis import BELT, SCREW, STEPPER

from tuner.drive.parts import DriveTrain, Screw
from tuner.metrology.lattice import Offset
from tuner.metrology.losses import Lines, judge_loss, loss_between, peak_mm_per_s, ways_of

HAND_MM = 0.02
FINE_SCREW = DriveTrain(Screw(Fraction(4), 1), STEPPER)  # 0.08 mm a lost cycle


def readings(seed: int, places_mm: list[float], seats: int = 5) -> list[list[float]]:
    """Read each place once, the first one `seats` times, to a hundredth."""
    random = np.random.default_rng(seed)
    groups = []
    for number, place_mm in enumerate(places_mm):
        times = seats if number == 0 else 1
        groups.append([round(70.0 + place_mm + x, 2) for x in random.normal(0.0, HAND_MM, times)])
    return groups


def test_a_way_that_is_too_short_for_its_feed() -> None:
    # v2 / a = 100 x 100 / 500 = 20 mm: on 20 mm the feed is just reached, in the middle
    assert peak_mm_per_s(20.0, 6000.0, 500.0) == pytest.approx(100.0)
    assert peak_mm_per_s(5.0, 6000.0, 500.0) == pytest.approx(50.0)
    assert peak_mm_per_s(80.0, 6000.0, 500.0) == 100.0


def test_worked_by_hand() -> None:
    """Five seats 0.01 mm apart before, one reading after; the sums are done here once more."""
    before, after = [70.00, 70.01, 70.02, 70.03, 70.04], [69.22]
    offset, smallest_mm, is_loss = loss_between(
        before, after, repeats=[before], resolution_mm=0.0, chances=14
    )
    # s2 = (4 x 0.00025 + 4 x 0.025^2) / 8: the seats, pooled with a usual hand of 0.025 mm
    s_mm = math.sqrt((4 * 0.00025 + 4 * 0.025**2) / 8)
    assert offset.size_mm == pytest.approx(-0.80)
    assert offset.u_mm == pytest.approx(s_mm * math.sqrt(1 / 5 + 1))
    assert offset.dof == 8
    assert is_loss and 5.0 * offset.u_mm < smallest_mm < 12.0 * offset.u_mm


def test_no_more_than_one_healthy_hunt_in_a_thousand_is_alarmed() -> None:
    alarms = 0
    for seed in range(400):
        first, *rest = readings(seed, [0.0] * 15)
        before, repeats = list(first), [list(first)]
        for (one,) in rest:
            _, _, is_loss = loss_between(
                before, [one], repeats=repeats, resolution_mm=0.01, chances=14
            )
            alarms += is_loss
            before.append(one)
    assert alarms <= 2


def test_one_lost_cycle_is_always_seen() -> None:
    for seed in range(100):
        first, (one,) = readings(seed, [0.0, -0.8])
        offset, _, is_loss = loss_between(
            first, [one], repeats=[first], resolution_mm=0.01, chances=14
        )
        assert is_loss and abs(offset.size_mm + 0.8) < 5.0 * offset.u_mm


@pytest.mark.parametrize("row", [1, 2, 3, 4])
def test_slow_cycles_with_one_loss_between_them(row: int) -> None:
    for seed in range(50):
        places = [0.0 if number < row else -1.6 for number in range(5)]
        ways, at, offset = ways_of(readings(seed, places), resolution_mm=0.01)
        assert (ways, at) == ("one-loss", row)
        assert offset is not None and abs(offset.size_mm + 1.6) < 5.0 * offset.u_mm


def test_what_comes_back_and_what_comes_back_elsewhere() -> None:
    random = np.random.default_rng(7)
    still = scatter = 0
    for seed in range(100):
        still += ways_of(readings(seed, [0.0] * 5), resolution_mm=0.01)[0] == "still"
        anywhere = [float(x) for x in random.uniform(-0.75, 0.75, 5)]
        scatter += ways_of(readings(seed, anywhere), resolution_mm=0.01)[0] == "scatter"
    assert still == 100
    assert scatter >= 95


@pytest.mark.parametrize(
    ("size_mm", "verdict", "name"),
    [
        (-0.80, "repair-first", "lost-steps"),
        (2.41, "repair-first", "lost-steps"),
        (-2.01, "repair-first", "belt-jump"),
        (0.37, "cannot-tell", "not-listed"),
    ],
)
def test_the_lattice_names_it(size_mm: float, verdict: str, name: str) -> None:
    judged = judge_loss(Offset(size_mm, 0.012, 10.0), BELT, datum_look="unmoved", needs_speed=True)
    assert (judged.verdict, judged.causes[0]["name"]) == (verdict, name)


def test_a_zero_that_moved_is_no_loss() -> None:
    judged = judge_loss(Offset(0.8, 0.012, 10.0), BELT, datum_look="moved", needs_speed=True)
    assert (judged.verdict, judged.causes[0]["name"]) == ("measure-again", "datum-moved")


def test_five_cycles_or_two_teeth_take_a_look_at_the_lines() -> None:
    four = Offset(-4.0, 0.012, 10.0)
    judged = judge_loss(four, BELT, datum_look="unmoved", needs_speed=True)
    assert judged.verdict == "cannot-tell" and "Draw pencil lines" in judged.next
    assert {"lost-steps", "belt-jump"} <= set(judged.tie)
    seen: tuple[tuple[Lines, str], ...] = (
        ("belt-off", "belt-jump"),
        ("whole", "lost-steps"),
        ("pulley-off", "loose-pulley"),
    )
    for lines, name in seen:
        judged = judge_loss(four, BELT, datum_look="unmoved", needs_speed=True, lines=lines)
        assert (judged.verdict, judged.causes[0]["name"]) == ("repair-first", name)


def test_lines_that_contradict_the_size_leave_nothing_certain() -> None:
    tooth = Offset(-2.0, 0.012, 10.0)
    judged = judge_loss(tooth, BELT, datum_look="unmoved", needs_speed=True, lines="whole")
    assert (judged.verdict, judged.causes[0]["name"]) == ("cannot-tell", "not-listed")
    assert "what holds the belt" in judged.next and "nut" not in judged.next


def test_what_is_lost_once_and_not_again_at_that_feed_is_no_matter_of_the_feed() -> None:
    one = Offset(-0.8, 0.012, 10.0)
    once = judge_loss(one, BELT, datum_look="unmoved", needs_speed=False, not_again=3)
    assert (once.verdict, once.causes[0]["name"]) == ("repair-first", "lost-steps")
    assert "too weak" not in once.next and "a cable or hose that caught" in once.next
    assert "lacked torque" not in once.causes[0]["check"] and "once" in once.causes[0]["says"]
    fast = judge_loss(one, BELT, datum_look="unmoved", needs_speed=True)
    assert "too weak for that feed" in fast.next
    tooth = Offset(2.0, 0.012, 10.0)
    belt = judge_loss(tooth, BELT, datum_look="unmoved", needs_speed=False, not_again=3)
    assert "tension it" in belt.next


def test_a_lattice_too_fine_for_the_hand_is_not_tested() -> None:
    judged = judge_loss(Offset(-0.5, 0.02, 10.0), SCREW, datum_look="unmoved", needs_speed=True)
    assert judged.verdict == "cannot-tell"
    assert "lost-steps" in judged.not_tested and "lost-steps" in judged.tie


def test_a_slow_loss_on_a_fine_screw_may_be_a_nut_that_slips() -> None:
    half = Offset(-0.5, 0.012, 10.0)
    slow = judge_loss(half, FINE_SCREW, datum_look="unmoved", needs_speed=False)
    assert slow.verdict == "cannot-tell"
    assert set(slow.tie) == {"not-listed", "lost-steps"}
    exact = Offset(-0.16, 0.012, 10.0)
    fast = judge_loss(exact, FINE_SCREW, datum_look="unmoved", needs_speed=True)
    assert (fast.verdict, fast.causes[0]["name"]) == ("repair-first", "lost-steps")
