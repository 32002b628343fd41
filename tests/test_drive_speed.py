"""What a feed asks of controller and motor."""

from __future__ import annotations

from fractions import Fraction

import pytest
from drive_strategies import trains
from hypothesis import given
from hypothesis import strategies as st

from tuner.drive.parts import Belt, DriveTrain, Motor
from tuner.drive.speed import (
    MOST_VOLUME_MM3_PER_S,
    fastest_feed_mm_per_min,
    filament_speed_mm_per_s,
    motor_revs_per_s,
    pulse_rate_hz,
    step_accuracy_mm,
    torque_of_one_step,
)

feeds = st.fractions(Fraction(1, 10), 100_000, max_denominator=100)


def test_a_belt_at_100_mm_a_second() -> None:
    train = DriveTrain(Belt(Fraction(2), 20), Motor(Fraction("1.8"), 16))
    assert pulse_rate_hz(Fraction(6000), train.steps_per_mm) == 8000
    assert fastest_feed_mm_per_min(Fraction(40_000), train.steps_per_mm) == 30_000
    assert motor_revs_per_s(Fraction(6000), train.travel_per_motor_rev_mm) == Fraction("2.5")
    assert step_accuracy_mm(train.motor, train.travel_per_motor_rev_mm) == Fraction("0.01")


def test_filament_of_1_75_mm_makes_the_most_volume_at_3_33_mm_a_second() -> None:
    speed = filament_speed_mm_per_s(MOST_VOLUME_MM3_PER_S, Fraction("1.75"))
    # 8 / (3.14159 x 0.875 x 0.875)
    assert float(speed) == pytest.approx(3.32601, rel=1e-5)
    assert filament_speed_mm_per_s(Fraction(4), Fraction("3.5")) == speed / 8


@given(feeds, trains)
def test_pulses_are_the_turns_times_the_steps_of_one(feed: Fraction, train: DriveTrain) -> None:
    pulses = pulse_rate_hz(feed, train.steps_per_mm)
    turns = motor_revs_per_s(feed, train.travel_per_motor_rev_mm)
    assert pulses == turns * train.motor.microsteps_per_rev
    assert fastest_feed_mm_per_min(pulses, train.steps_per_mm) == feed


@pytest.mark.parametrize("microsteps", [1, 2, 4, 8, 16, 32, 64, 128, 256])
def test_finer_steps_have_less_torque(microsteps: int) -> None:
    assert 0 < torque_of_one_step(2 * microsteps) < torque_of_one_step(microsteps) <= 1
