"""The simulated mechanics against numbers worked out by hand."""

from __future__ import annotations

import math
from typing import Any

import pytest

from tuner.rehearsal.physics import (
    Carriage,
    Mechanics,
    Mechanism,
    MotionQueue,
    Ramp,
    VirtualClock,
)


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


def test_a_trial_changes_nothing() -> None:
    carriage = Carriage(mechanics(), 100.0)
    assert carriage.after(80) == 101.0
    assert carriage.true_mm == 100.0


# --- switches ---------------------------------------------------------------------------


def mechanism(plugs: dict[str, str] | None = None, **changes: Any) -> Mechanism:
    carriages = {axis: Carriage(mechanics(**changes), 100.0) for axis in ("x", "y")}
    return Mechanism(carriages, plugs or {"x": "x", "y": "y"}, {"x": 0.0, "y": 0.0})


def test_steps_to_switch_are_the_fewest() -> None:
    machine = mechanism()
    assert machine.steps_to_switch("x", -80 * 300) == -8000
    machine.turn("x", -7999)
    assert not machine.is_pressed("x")
    machine.turn("x", -1)
    assert machine.is_pressed("x")
    assert machine.steps_to_switch("x", -80 * 300) == 0


@pytest.mark.parametrize(
    ("most", "changes"),
    [
        (-7999, {}),  # too near
        (8000, {}),  # the other way
        (-80 * 300, {"powered": False}),
        (-80 * 300, {"direction": -1}),
    ],
)
def test_switch_out_of_reach(most: int, changes: dict[str, Any]) -> None:
    assert mechanism(**changes).steps_to_switch("x", most) is None


def test_switch_of_an_axis_that_its_plug_does_not_move() -> None:
    machine = mechanism({"x": "y", "y": "x"})
    assert machine.steps_to_switch("x", -80 * 300) is None
    machine.turn("x", 80)
    assert (machine.carriages["x"].true_mm, machine.carriages["y"].true_mm) == (100.0, 101.0)


# --- ramps ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("length", "speed", "acceleration", "peak", "duration"),
    [
        # 0.1 s up over 0.5 mm, 9 mm at 10 mm/s, 0.1 s down
        (10.0, 10.0, 100.0, 10.0, 1.1),
        # never reaches 100 mm/s: 0.5 mm up to 10 mm/s, 0.5 mm down
        (1.0, 100.0, 100.0, 10.0, 0.2),
        # just reaches it
        (1.0, 10.0, 100.0, 10.0, 0.2),
        (0.0125, 5.0, 500.0, 2.5, 0.01),
        (1e90, 10.0, 500.0, 10.0, 1e89),
        (1e-9, 10.0, 500.0, math.sqrt(5e-7), 2 * math.sqrt(5e-7) / 500),
    ],
)
def test_ramp(
    length: float, speed: float, acceleration: float, peak: float, duration: float
) -> None:
    ramp = Ramp(length, speed, acceleration)
    assert ramp.peak_mm_per_s == pytest.approx(peak)
    assert ramp.duration_s == pytest.approx(duration)
    assert ramp.fraction(0.0) == 0.0
    assert ramp.fraction(ramp.duration_s / 2) == pytest.approx(0.5)
    assert ramp.fraction(ramp.duration_s) == 1.0


def test_ramp_fractions_by_hand() -> None:
    ramp = Ramp(10.0, 10.0, 100.0)
    elapsed = (-1.0, 0.05, 0.1, 0.6, 1.0, 1.05, 1.1, 99.0)
    fractions = [ramp.fraction(one) for one in elapsed]
    assert fractions == pytest.approx([0.0, 0.0125, 0.05, 0.55, 0.95, 0.9875, 1.0, 1.0])


# --- motion in time ---------------------------------------------------------------------


class Counter:
    """Counts microsteps for each plug."""

    def __init__(self) -> None:
        self.made = {"x": 0, "y": 0}

    def __call__(self, plug: str, microsteps: int) -> None:
        self.made[plug] += microsteps


def test_motion_happens_in_time_and_one_after_the_other() -> None:
    count = Counter()
    queue = MotionQueue(count, 16)
    queue.add({"x": 800, "y": -400}, Ramp(10.0, 10.0, 100.0), 5.0)
    queue.add({"x": -800}, Ramp(10.0, 10.0, 100.0), 5.3)
    assert queue.ends_s(5.3) == pytest.approx(7.2)
    queue.advance(5.0)
    assert count.made == {"x": 0, "y": 0}
    queue.advance(5.6)
    assert count.made == {"x": 440, "y": -220}
    queue.advance(6.7)
    assert count.made == {"x": 360, "y": -400}
    queue.advance(100.0)
    assert count.made == {"x": 0, "y": -400}
    assert queue.ends_s(100.0) == 100.0


def test_one_late_look_makes_every_reversal() -> None:
    """Play is only taken up if the turning points are really visited."""
    carriage = Carriage(mechanics(play_mm=0.30), 100.0)
    queue = MotionQueue(lambda _, microsteps: carriage.turn(microsteps), 16)
    queue.add({"x": 80}, Ramp(1.0, 10.0, 100.0), 0.0)
    queue.add({"x": -80}, Ramp(1.0, 10.0, 100.0), 0.0)
    queue.advance(1000.0)
    assert carriage.true_mm == pytest.approx(100.15)


def test_stop_in_mid_move_leaves_the_carriage_where_it_was() -> None:
    carriage = Carriage(mechanics(), 100.0)
    queue = MotionQueue(lambda _, microsteps: carriage.turn(microsteps), 16)
    queue.add({"x": 800}, Ramp(10.0, 10.0, 100.0), 0.0)
    queue.add({"x": 800}, Ramp(10.0, 10.0, 100.0), 0.0)
    queue.halt(0.6)
    assert carriage.true_mm == pytest.approx(105.5)
    assert queue.ends_s(0.6) == 0.6
    queue.advance(50.0)
    assert carriage.true_mm == pytest.approx(105.5)


def test_room_comes_when_the_oldest_motion_ends() -> None:
    queue = MotionQueue(Counter(), 2)
    ramp = Ramp(10.0, 10.0, 100.0)
    assert queue.room_s(1.0) == 1.0
    queue.add({"x": 1}, ramp, 1.0)
    assert queue.room_s(1.0) == 1.0
    queue.add({"x": 1}, ramp, 1.0)
    assert queue.room_s(1.0) == pytest.approx(2.1)
    assert queue.room_s(2.5) == 2.5
    queue.advance(2.5)
    assert queue.room_s(2.5) == 2.5
