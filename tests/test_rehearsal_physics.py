"""The simulated mechanics against numbers worked out by hand."""

from __future__ import annotations

import math
from typing import Any

import pytest

from tuner.rehearsal.physics import Carriage, Mechanics, Motor, VirtualClock, Weakness


def mechanics(**changes: Any) -> Mechanics:
    """40 mm per turn, 200 steps of 16 microsteps: 80 microsteps per mm (common practice)."""
    parts: dict[str, Any] = {
        "travel_per_rev_mm": 40.0,
        "full_steps": 200,
        "microsteps": 16,
        "ends_mm": (-3.0, 223.0),
    }
    return Mechanics(**(parts | changes))


# --- clock ------------------------------------------------------------------------------


def test_clock_stands_still_until_advanced() -> None:
    clock = VirtualClock()
    assert clock.now_s() == 0.0
    clock.advance(0.0)
    clock.advance(2.5)
    assert clock.now_s() == 2.5


@pytest.mark.parametrize("seconds", [-1e-9, -1.0, math.nan])
def test_clock_never_goes_back(seconds: float) -> None:
    with pytest.raises(ValueError, match="give 0 or more"):
        VirtualClock().advance(seconds)


# --- what microsteps do -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "microsteps", "true_mm"),
    [
        ({}, 0, 0.0),
        ({}, 80, 1.0),
        ({}, -3200, -40.0),
        ({"travel_per_rev_mm": 32.0}, 3200, 32.0),
        ({"full_steps": 400}, 3200, 20.0),
        ({"microsteps": 8}, 3200, 80.0),
        ({"direction": -1}, 80, -1.0),
        # 16 driving 80 teeth is 5:1 (common practice): a fifth of a turn for each of the motor
        ({"gear_ratio": 16 / 80}, 3200, 8.0),
        ({"gear_ratio": 17 / 50}, 3200, 13.6),
    ],
)
def test_pull(changes: dict[str, Any], microsteps: int, true_mm: float) -> None:
    assert mechanics(**changes).pull_mm(microsteps) == pytest.approx(true_mm, abs=1e-12)


def test_eccentricity_has_one_period_per_output_turn() -> None:
    parts = mechanics(eccentricity_mm=0.15)
    assert parts.pull_mm(800) == pytest.approx(10.0 + 0.15)  # a quarter turn
    assert parts.pull_mm(1600) == pytest.approx(20.0)
    assert parts.pull_mm(2400) == pytest.approx(30.0 - 0.15)
    assert parts.pull_mm(3200) == pytest.approx(40.0)
    geared = mechanics(eccentricity_mm=0.15, gear_ratio=0.25)
    assert geared.pull_mm(3200) == pytest.approx(10.0 + 0.15)


def test_eccentricity_begins_at_its_phase_without_a_jump() -> None:
    parts = mechanics(eccentricity_mm=0.15, eccentricity_phase_rad=math.pi / 2)
    assert parts.pull_mm(0) == 0.0
    assert parts.pull_mm(1600) == pytest.approx(20.0 - 0.30)


# --- play -------------------------------------------------------------------------------


def test_play_is_lost_on_every_reversal() -> None:
    """Play 0.30 mm, begun in the middle of it; 24 microsteps pull 0.30 mm."""
    carriage = Carriage(mechanics(play_mm=0.30), 100.0)
    seen = []
    for microsteps in (8, 4, 80, -12, -12, -80, 24, 80):
        carriage.turn(microsteps)
        seen.append(round(carriage.true_mm, 9))
    # pulled to: 100.10 100.15 101.15 101.00 100.85 99.85 100.15 101.15
    assert seen == [100.0, 100.0, 101.0, 101.0, 101.0, 100.0, 100.0, 101.0]


def test_play_shows_as_the_difference_between_approaches() -> None:
    carriage = Carriage(mechanics(play_mm=0.30), 100.0)
    carriage.turn(80 * 30)
    carriage.turn(-80 * 10)
    from_above_mm = carriage.true_mm
    carriage.turn(-80 * 10)
    carriage.turn(80 * 10)
    assert from_above_mm - carriage.true_mm == pytest.approx(0.30)
    assert from_above_mm == pytest.approx(120.15)


def test_without_play_a_carriage_comes_back_exactly() -> None:
    carriage = Carriage(mechanics(), 100.0)
    carriage.turn(1234)
    carriage.turn(-1234)
    assert carriage.true_mm == 100.0


def test_a_motor_without_power_moves_nothing() -> None:
    carriage = Carriage(mechanics(powered=False), 100.0)
    carriage.turn(8000)
    assert carriage.true_mm == 100.0


def test_frame_stops_the_carriage_and_the_motor_loses_the_rest() -> None:
    carriage = Carriage(mechanics(play_mm=0.2), 220.0)
    carriage.turn(80 * 2)
    assert not carriage.struck_end
    carriage.turn(80 * 50)
    assert (carriage.true_mm, carriage.struck_end) == (223.0, True)
    carriage.turn(-80 * 10)
    assert carriage.true_mm == pytest.approx(223.0 - 10 + 0.2)
    assert carriage.struck_end


def test_with_gravity_the_play_is_never_seen() -> None:
    carriage = Carriage(mechanics(play_mm=0.30, gravity=True), 100.0)
    seen = []
    for microsteps in (80, 800, -80, -800):
        carriage.turn(microsteps)
        seen.append(round(carriage.true_mm, 9))
    assert seen == [101.0, 111.0, 110.0, 100.0]


def test_a_loose_pulley_loses_something_else_at_every_reversal() -> None:
    """Between 0.2 and 1.5 mm of play; half of it shows at each end of a stroke of 20 mm."""
    carriage = Carriage(mechanics(play_mm=0.2, most_play_mm=1.5, seed="1"), 100.0)
    ends_mm = []
    for n in range(40):
        carriage.turn(1600 if n % 2 == 0 else -1600)
        ends_mm.append(carriage.true_mm - (120.0 if n % 2 == 0 else 100.0))
    lost_mm = [-2 * off for off in ends_mm[::2]] + [2 * off for off in ends_mm[1::2]]
    assert min(lost_mm) >= 0.2 - 1e-9
    assert max(lost_mm) <= 1.5 + 1e-9
    assert max(lost_mm) - min(lost_mm) > 0.8
    assert len({round(one, 6) for one in lost_mm}) == 40


def test_eccentricity_of_another_period() -> None:
    parts = mechanics(eccentricity_mm=0.15, eccentric_turns=1.25)
    assert parts.pull_mm(1000) == pytest.approx(12.5 + 0.15)  # a quarter of 1.25 turns
    assert parts.pull_mm(4000) == pytest.approx(50.0)


# --- falling behind ---------------------------------------------------------------------


def strained(weakness: Weakness, *moves: tuple[int, float, float], **changes: Any) -> list[float]:
    """Return what the motor is behind, in mm, after each move of (microsteps, rev/s, seconds)."""
    motor = Motor(mechanics(weakness=weakness, seed="7", **changes))
    behind_mm, commanded = [], 0
    for microsteps, rev_per_s, at_s in moves:
        motor.turn(microsteps)
        motor.strain(microsteps, rev_per_s * motor.mechanics.microsteps_per_turn, at_s)
        commanded += microsteps
        behind_mm.append(round(motor.mechanics.pull_mm(commanded) - motor.pulled_mm, 9))
    return behind_mm


def test_nothing_is_lost_up_to_the_limit_and_something_always_from_a_fifth_above_it() -> None:
    weakness = Weakness(unit="cycle", most=1, limit_rev_per_s=2.5)
    moves = [(3200, speed, 0.0) for speed in (0.1, 1.0, 2.5, 3.0, 3.0, 9.0)]
    # a cycle of four full steps of 200 in 40 mm is 0.8 mm
    assert strained(weakness, *moves) == [0.0, 0.0, 0.0, 0.8, 1.6, 2.4]


def test_between_the_two_it_is_chance_and_the_same_chance_every_time() -> None:
    weakness = Weakness(unit="cycle", most=1, limit_rev_per_s=2.5)
    moves = [(3200, 2.75, 0.0)] * 200
    behind_mm = strained(weakness, *moves)
    assert behind_mm == strained(weakness, *moves)
    # half of 200, give or take four standard deviations of 7.1
    assert 100 - 29 <= behind_mm[-1] / 0.8 <= 100 + 29


def test_what_is_lost_one_way_is_lost_again_on_the_way_back() -> None:
    weakness = Weakness(unit="cycle", most=1, limit_rev_per_s=2.5)
    assert strained(weakness, (3200, 3.0, 0.0), (-3200, 3.0, 0.0)) == [0.8, 0.0]
    assert strained(weakness, (3200, 3.0, 0.0), (-3200, 1.0, 0.0)) == [0.8, 0.8]


def test_a_cycle_is_that_of_the_motor_and_driver_that_are_there() -> None:
    weakness = Weakness(unit="cycle", most=1, limit_rev_per_s=1.0)
    assert strained(weakness, (3200, 2.0, 0.0), full_steps=400) == [0.4]
    assert strained(weakness, (3200, 2.0, 0.0), microsteps=8) == [0.8]
    assert strained(weakness, (3200, 2.0, 0.0), travel_per_rev_mm=32.0) == [0.64]


def test_a_hot_driver_loses_ever_more_often() -> None:
    weakness = Weakness(unit="cycle", most=1, hot_after_s=600.0)
    assert strained(weakness, *[(3200, 1.0, 600.0)] * 50)[-1] == 0.0
    soon = strained(weakness, *[(3200, 1.0, 900.0)] * 200)[-1] / 0.8
    late = strained(weakness, *[(3200, 1.0, 1500.0)] * 200)[-1] / 0.8
    assert 50 - 25 <= soon <= 50 + 25  # a quarter and three quarters, within four deviations
    assert 150 - 25 <= late <= 150 + 25
    assert strained(weakness, *[(3200, 1.0, 1800.0)] * 50)[-1] == pytest.approx(50 * 0.8)


def test_a_single_loss_comes_in_its_long_move_and_never_again() -> None:
    weakness = Weakness(unit="cycle", most=3, in_move=2)
    moves = [(800, 1.0, 0.0), (3200, 1.0, 0.0), (-800, 1.0, 0.0), (-3200, 1.0, 0.0)] * 3
    behind_mm = strained(weakness, *moves)
    assert behind_mm[:3] == [0.0, 0.0, 0.0]
    assert -behind_mm[3] in (0.8, 1.6, 2.4)
    assert set(behind_mm[3:]) == {behind_mm[3]}


def test_a_tooth_is_the_pitch_of_the_belt_and_no_multiple_of_a_cycle() -> None:
    weakness = Weakness(unit="tooth", most=1, tooth_mm=2.0, in_move=1)
    assert strained(weakness, (3200, 1.0, 0.0)) == [2.0]
    assert strained(weakness, (-3200, 1.0, 0.0)) == [-2.0]
    assert strained(weakness, (3200, 1.0, 0.0), direction=-1) == [-2.0]


def test_a_motor_without_current_loses_nothing() -> None:
    weakness = Weakness(unit="cycle", most=3, in_move=1)
    motor = Motor(mechanics(weakness=weakness, powered=False))
    motor.strain(3200, 3200.0, 0.0)
    assert (motor.pulled_mm, motor.lost_cycles) == (0.0, 0)


def test_a_released_motor_comes_back_up_to_two_full_steps_away() -> None:
    """Two full steps of 200 in 40 mm are 0.4 mm; uniform, so a third of that is common."""
    motor = Motor(mechanics(snaps=True, seed="3"))
    snaps_mm, before_mm = [], 0.0
    for _ in range(200):
        motor.snap()
        snaps_mm.append(motor.pulled_mm - before_mm)
        before_mm = motor.pulled_mm
    assert max(map(abs, snaps_mm)) <= 0.4 + 1e-9
    assert max(snaps_mm) > 0.35
    assert min(snaps_mm) < -0.35
    firm = Motor(mechanics())
    firm.snap()
    assert firm.pulled_mm == 0.0
