"""Parts and trains: exact travel, and no part that cannot exist."""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest
from drive_strategies import drives, motors, pairs, trains
from hypothesis import given
from hypothesis import strategies as st

from tuner.drive.parts import (
    PI,
    Belt,
    Drive,
    DriveTrain,
    Feeder,
    GearPair,
    Measured,
    Motor,
    Rack,
    Rotary,
    Screw,
)

MOTOR = Motor(Fraction("1.8"), 16)


def test_pi_has_fifty_digits() -> None:
    assert float(PI) == math.pi
    assert PI.denominator > 10**40


@pytest.mark.parametrize(
    ("drive", "kind", "travel_mm", "working"),
    [
        (Belt(Fraction(2), 20), "belt", Fraction(40), "20 teeth x 2 mm = 40 mm"),
        (Belt(Fraction("2.5"), 16), "belt", Fraction(40), "16 teeth x 2.5 mm = 40 mm"),
        (Screw(Fraction(5)), "screw", Fraction(5), "1 start x 5 mm = 5 mm"),
        (Screw(Fraction(2), 4), "screw", Fraction(8), "4 starts x 2 mm = 8 mm"),
        (Rack(Fraction(2), 20), "rack", 40 * PI, "pi x 2 mm x 20 teeth = 125.664 mm"),
        (Feeder(Fraction("7.3")), "feeder", PI * 73 / 10, "pi x 7.3 mm = 22.9336 mm"),
        (Rotary(), "rotary", Fraction(360), "1 turn = 360 deg"),
        (Measured(Fraction("40.02")), "measured", Fraction("40.02"), "measured: 40.02 mm"),
    ],
)
def test_drives(drive: Drive, kind: str, travel_mm: Fraction, working: str) -> None:
    assert drive.kind == kind
    assert drive.travel_per_rev_mm == travel_mm
    assert drive.working() == working
    assert DriveTrain(drive, MOTOR).unit == ("deg" if kind == "rotary" else "mm")


def test_a_whole_number_of_mm_is_as_good_as_a_fraction() -> None:
    train = DriveTrain(Belt(2, 20), MOTOR)  # type: ignore[arg-type]
    assert train == DriveTrain(Belt(Fraction(2), 20), MOTOR)
    assert isinstance(train.travel_per_rev_mm, Fraction)


# (what is built, what its error has to name)
IMPOSSIBLE: list[tuple[Callable[..., Any], tuple[Any, ...], str]] = [
    (Belt, (Fraction(0), 20), "Belt pitch_mm = 0"),
    (Belt, (Fraction(-2), 20), "Belt pitch_mm = -2"),
    (Belt, (Fraction(10**9), 20), "expected 0.0001 to 10000 mm"),
    (Belt, (2.0, 20), "not an exact number"),
    (Belt, (True, 20), "not an exact number"),
    (Belt, (math.nan, 20), "not an exact number"),
    (Belt, ("2", 20), "not an exact number"),
    (Belt, (Fraction(2), 0), "Belt pulley_teeth = 0"),
    (Belt, (Fraction(2), 2), "from 3 to"),
    (Belt, (Fraction(2), 20.0), "whole number"),
    (Belt, (Fraction(2), True), "whole number"),
    (Belt, (Fraction(2), 10**6), "whole number"),
    (Screw, (Fraction(0),), "Screw pitch_mm"),
    (Screw, (Fraction(2), 0), "Screw starts = 0"),
    (Screw, (Fraction(2), 101), "Screw starts = 101"),
    (Rack, (Fraction(0), 20), "Rack module_mm"),
    (Rack, (Fraction(1), 1), "Rack pinion_teeth"),
    (Feeder, (Fraction(0),), "Feeder diameter_mm"),
    (Measured, (Fraction(0),), "Measured travel_per_rev_mm"),
    (GearPair, (0, 80), "GearPair driver = 0"),
    (GearPair, (16, -1), "GearPair driven = -1"),
    (Motor, (Fraction("1.7"), 16), "whole number of steps in a turn"),
    (Motor, (Fraction("0.001"), 16), "whole number of steps in a turn"),
    (Motor, (Fraction(0), 16), "Motor step_angle_deg = 0"),
    (Motor, (Fraction(720), 16), "whole number of steps in a turn"),
    (Motor, (Fraction("1.8"), 0), "Motor microsteps = 0"),
    (Motor, (Fraction("1.8"), 65_537), "Motor microsteps = 65537"),
]


@pytest.mark.parametrize(("build", "values", "says"), IMPOSSIBLE)
def test_what_cannot_exist_cannot_be_built(
    build: Callable[..., Any], values: tuple[Any, ...], says: str
) -> None:
    with pytest.raises(ValueError, match=r"expected|give") as caught:
        build(*values)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("angle", "full_steps"), [("0.9", 400), ("1.8", 200), ("7.5", 48), ("0.72", 500), ("360", 1)]
)
def test_full_steps_and_microsteps(angle: str, full_steps: int) -> None:
    motor = Motor(Fraction(angle), 32)
    assert motor.full_steps_per_rev == full_steps
    assert motor.microsteps_per_rev == full_steps * 32


def test_a_train_without_gears() -> None:
    train = DriveTrain(Belt(Fraction(2), 20), MOTOR)
    assert train.gear_ratio == 1
    assert train.travel_per_rev_mm == train.travel_per_motor_rev_mm == 40
    assert train.steps_per_mm == 80
    assert train.mm_per_step == Fraction("0.0125")
    assert train.lost_cycle_mm == Fraction("0.8")
    assert train.working() == (
        "20 teeth x 2 mm = 40 mm per revolution; "
        "200 full steps x 16 microsteps = 3200 steps per motor revolution; "
        "3200 / 40 mm = 80 steps per mm = 0.0125 mm per step"
    )


def test_a_geared_train_moves_less_for_each_turn_of_the_motor() -> None:
    train = DriveTrain(
        Belt(Fraction(2), 20), Motor(Fraction("1.8"), 1), (GearPair(16, 80), GearPair(17, 50))
    )
    assert train.gear_ratio == Fraction(16 * 17, 80 * 50)
    assert train.travel_per_rev_mm == 40
    assert train.travel_per_motor_rev_mm == Fraction("2.72")
    assert train.steps_per_mm == Fraction(200) / Fraction("2.72")
    assert train.lost_cycle_mm == Fraction("2.72") / 50
    assert train.working() == (
        "20 teeth x 2 mm = 40 mm per revolution; "
        "40 mm x 16/80 x 17/50 = 2.72 mm per motor revolution; "
        "200 full steps x 1 microstep = 200 steps per motor revolution; "
        "200 / 2.72 mm = 73.5294 steps per mm = 0.0136 mm per step"
    )


def test_a_rotary_train_says_degrees() -> None:
    train = DriveTrain(Rotary(), MOTOR, (GearPair(1, 90),))
    assert train.travel_per_motor_rev_mm == 4
    assert "mm" not in train.working()
    assert "800 steps per deg" in train.working()


@given(drives, motors, pairs, st.randoms())
def test_the_order_of_gear_pairs_does_not_matter(
    drive: Drive, motor: Motor, gears: list[GearPair], random: Any
) -> None:
    shuffled = random.sample(gears, len(gears))
    one, other = (DriveTrain(drive, motor, tuple(order)) for order in (gears, shuffled))
    assert one.gear_ratio == other.gear_ratio
    assert one.steps_per_mm == other.steps_per_mm
    assert one.lost_cycle_mm == other.lost_cycle_mm


@given(trains)
def test_a_turn_of_the_motor_is_all_its_steps_and_a_cycle_is_four_of_them(
    train: DriveTrain,
) -> None:
    assert train.steps_per_mm * train.mm_per_step == 1
    assert train.mm_per_step * train.motor.microsteps_per_rev == train.travel_per_motor_rev_mm
    assert train.lost_cycle_mm == 4 * train.motor.microsteps * train.mm_per_step
    back = tuple(GearPair(pair.driven, pair.driver) for pair in train.gears)
    undone = DriveTrain(train.drive, train.motor, train.gears + back)
    assert undone.travel_per_motor_rev_mm == train.travel_per_rev_mm
