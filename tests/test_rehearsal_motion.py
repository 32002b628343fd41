"""Simulated motion in time against numbers worked out by hand."""

from __future__ import annotations

import math
from collections.abc import Mapping

import pytest

from tuner.rehearsal.motion import Block, MotionQueue, Ramp
from tuner.rehearsal.physics import Carriage, Mechanics


def mechanics(play_mm: float = 0.0) -> Mechanics:
    """40 mm per turn, 200 steps of 16 microsteps: 80 microsteps per mm (common practice)."""
    return Mechanics(
        travel_per_rev_mm=40.0,
        full_steps=200,
        microsteps=16,
        ends_mm=(-3.0, 223.0),
        play_mm=play_mm,
    )


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

    def __call__(self, steps: Mapping[str, int]) -> None:
        for plug, microsteps in steps.items():
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
    queue = MotionQueue(lambda steps: carriage.turn(steps["x"]), 16)
    queue.add({"x": 80}, Ramp(1.0, 10.0, 100.0), 0.0)
    queue.add({"x": -80}, Ramp(1.0, 10.0, 100.0), 0.0)
    queue.advance(1000.0)
    assert carriage.true_mm == pytest.approx(100.15)


def test_stop_in_mid_move_leaves_the_carriage_where_it_was() -> None:
    carriage = Carriage(mechanics(), 100.0)
    queue = MotionQueue(lambda steps: carriage.turn(steps["x"]), 16)
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


@pytest.mark.parametrize("looks_s", [[9.0], [5.1, 9.0], [0.1, 0.5, 0.55, 0.6, 1.0, 1.1, 1.7, 9.0]])
def test_every_motion_begins_once_and_passes_its_middle_once(looks_s: list[float]) -> None:
    """However often somebody looks: half of the way is made when the middle is announced."""
    count = Counter()
    begun: list[Block] = []
    middles: list[tuple[Block, int]] = []
    queue = MotionQueue(
        count, 16, begun.append, lambda block: middles.append((block, count.made["x"]))
    )
    first = queue.add({"x": 800}, Ramp(10.0, 10.0, 100.0), 0.0)
    second = queue.add({"x": -160}, Ramp(2.0, 10.0, 100.0), 0.0)
    for now_s in looks_s:
        queue.advance(now_s)
    assert begun == [first, second]
    assert [block for block, _ in middles] == [first, second]
    assert middles[0][1] >= 400
    assert middles[1][1] <= 800 - 80
    assert (first.middle_s, second.start_s) == (pytest.approx(0.55), pytest.approx(1.1))


def test_the_highest_speed_is_that_of_each_plug() -> None:
    """10 mm at 10 mm/s with 800 and 400 microsteps; 1 mm is too short to get there."""
    block = Block({"x": 800, "y": -400}, Ramp(10.0, 10.0, 100.0), 0.0)
    assert block.speeds == {"x": pytest.approx(800.0), "y": pytest.approx(400.0)}
    short = Block({"x": 80}, Ramp(1.0, 100.0, 100.0), 0.0)
    assert short.speeds == {"x": pytest.approx(800.0)}


def test_a_motion_that_is_stopped_before_its_middle_never_passes_it() -> None:
    count = Counter()
    middles: list[Block] = []
    queue = MotionQueue(count, 16, at_middle=middles.append)
    queue.add({"x": 800}, Ramp(10.0, 10.0, 100.0), 0.0)
    queue.halt(0.5)
    queue.advance(9.0)
    assert middles == []
    assert count.made["x"] == 360
