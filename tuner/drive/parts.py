"""The parts between a motor and a carriage, and the travel they give.

Every quantity is a ``Fraction``: 17 teeth driving 50 is 17/50 and never 0.34 or a third.
Only a rack and a feeder wheel need pi; it is a fraction of fifty digits, so that they stay
in the same arithmetic and no comparison ever depends on the order of a computation.

A part that cannot exist cannot be built: constructors raise ``ValueError`` with the value
and what is expected. A part that is merely rare is built without complaint.

Lengths are millimetres. A rotary table is the one exception: what is called ``_mm`` here
is degrees for it, and ``unit`` says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from math import prod
from typing import ClassVar

from tuner.drive.numbers import plain_number

PI = Fraction("3.1415926535897932384626433832795028841971693993751")

# A two-phase stepper has four full steps in one electrical cycle (D. Labriola, "Why
# open-loop steppers lose steps", 2005); a lost cycle is the least that it can lose and go on.
FULL_STEPS_PER_CYCLE = 4

# Wide enough for any machine on a bench, narrow enough that a slipped decimal point in a
# card is noticed and that exact arithmetic stays fast.
_LONGEST_MM = 10_000
_SHORTEST_MM = Fraction(1, 10_000)
_MOST_TEETH = 10_000
_FEWEST_WHEEL_TEETH = 3  # two teeth make no wheel; a worm, as a driver, may have one start
_MOST_STARTS = 100
_MOST_MICROSTEPS = 65_536
_MOST_FULL_STEPS = 100_000


def _set_length(part: object, name: str) -> None:
    """Make the length `name` of a frozen `part` a Fraction within the limits."""
    value = getattr(part, name)
    where = f"{type(part).__name__} {name}"
    if isinstance(value, bool) or not isinstance(value, (int, Fraction)):
        raise ValueError(
            f"{where} = {value!r}: not an exact number; give a Fraction or a whole number"
        )
    if not _SHORTEST_MM <= value <= _LONGEST_MM:
        raise ValueError(
            f"{where} = {plain_number(Fraction(value))}: expected "
            f"{plain_number(_SHORTEST_MM)} to {_LONGEST_MM} mm"
        )
    object.__setattr__(part, name, Fraction(value))


def _check_count(part: object, name: str, least: int, most: int) -> None:
    value = getattr(part, name)
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
        raise ValueError(
            f"{type(part).__name__} {name} = {value!r}: expected a whole number "
            f"from {least} to {most}"
        )


def _counted(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


@dataclass(frozen=True)
class Belt:
    """A toothed belt of `pitch_mm` on a pulley: travel = teeth x pitch."""

    pitch_mm: Fraction
    pulley_teeth: int
    kind: ClassVar[str] = "belt"
    unit: ClassVar[str] = "mm"

    def __post_init__(self) -> None:
        _set_length(self, "pitch_mm")
        _check_count(self, "pulley_teeth", _FEWEST_WHEEL_TEETH, _MOST_TEETH)

    @property
    def travel_per_rev_mm(self) -> Fraction:
        """Travel in mm for one turn of the pulley."""
        return self.pitch_mm * self.pulley_teeth

    def working(self) -> str:
        """Return the sum as a person writes it."""
        return (
            f"{self.pulley_teeth} teeth x {plain_number(self.pitch_mm)} mm"
            f" = {plain_number(self.travel_per_rev_mm)} mm"
        )


@dataclass(frozen=True)
class Screw:
    """A screw and nut: travel = lead = starts x pitch (ISO 2904 for multi-start threads)."""

    pitch_mm: Fraction
    starts: int = 1
    kind: ClassVar[str] = "screw"
    unit: ClassVar[str] = "mm"

    def __post_init__(self) -> None:
        _set_length(self, "pitch_mm")
        _check_count(self, "starts", 1, _MOST_STARTS)

    @property
    def travel_per_rev_mm(self) -> Fraction:
        """Travel in mm for one turn of the screw: its lead."""
        return self.pitch_mm * self.starts

    def working(self) -> str:
        """Return the sum as a person writes it."""
        return (
            f"{_counted(self.starts, 'start')} x {plain_number(self.pitch_mm)} mm"
            f" = {plain_number(self.travel_per_rev_mm)} mm"
        )


@dataclass(frozen=True)
class Rack:
    """A straight rack and pinion: travel = pi x module x teeth (module after ISO 54)."""

    module_mm: Fraction
    pinion_teeth: int
    kind: ClassVar[str] = "rack"
    unit: ClassVar[str] = "mm"

    def __post_init__(self) -> None:
        _set_length(self, "module_mm")
        _check_count(self, "pinion_teeth", _FEWEST_WHEEL_TEETH, _MOST_TEETH)

    @property
    def travel_per_rev_mm(self) -> Fraction:
        """Travel in mm for one turn of the pinion."""
        return PI * self.module_mm * self.pinion_teeth

    def working(self) -> str:
        """Return the sum as a person writes it."""
        return (
            f"pi x {plain_number(self.module_mm)} mm x {self.pinion_teeth} teeth"
            f" = {plain_number(self.travel_per_rev_mm)} mm"
        )


@dataclass(frozen=True)
class Feeder:
    """A drive wheel on filament: travel = pi x effective diameter, which only a test gives."""

    diameter_mm: Fraction
    kind: ClassVar[str] = "feeder"
    unit: ClassVar[str] = "mm"

    def __post_init__(self) -> None:
        _set_length(self, "diameter_mm")

    @property
    def travel_per_rev_mm(self) -> Fraction:
        """Filament in mm for one turn of the wheel."""
        return PI * self.diameter_mm

    def working(self) -> str:
        """Return the sum as a person writes it."""
        return (
            f"pi x {plain_number(self.diameter_mm)} mm = {plain_number(self.travel_per_rev_mm)} mm"
        )


@dataclass(frozen=True)
class Rotary:
    """A turning axis: 360 degrees for one turn of its table."""

    kind: ClassVar[str] = "rotary"
    unit: ClassVar[str] = "deg"

    @property
    def travel_per_rev_mm(self) -> Fraction:
        """Travel in degrees, not in mm, for one turn of the table."""
        return Fraction(360)

    def working(self) -> str:
        """Return the sum as a person writes it."""
        return "1 turn = 360 deg"


@dataclass(frozen=True)
class Measured:
    """Whatever no formula covers: the travel per revolution was measured."""

    travel_per_rev_mm: Fraction
    kind: ClassVar[str] = "measured"
    unit: ClassVar[str] = "mm"

    def __post_init__(self) -> None:
        _set_length(self, "travel_per_rev_mm")

    def working(self) -> str:
        """Return the sum as a person writes it."""
        return f"measured: {plain_number(self.travel_per_rev_mm)} mm"


Drive = Belt | Screw | Rack | Feeder | Rotary | Measured


@dataclass(frozen=True)
class GearPair:
    """One pair of wheels: `driver` teeth on the motor's side turn `driven` teeth."""

    driver: int
    driven: int

    def __post_init__(self) -> None:
        _check_count(self, "driver", 1, _MOST_TEETH)
        _check_count(self, "driven", 1, _MOST_TEETH)

    @property
    def ratio(self) -> Fraction:
        """Turns of the driven wheel for one turn of the driver."""
        return Fraction(self.driver, self.driven)


def total_ratio(gears: Iterable[GearPair]) -> Fraction:
    """Return the turns of the output shaft for one turn of the motor; 1 without gears."""
    return prod((pair.ratio for pair in gears), start=Fraction(1))


@dataclass(frozen=True)
class Motor:
    """A two-phase stepper motor and how finely its driver divides a full step."""

    step_angle_deg: Fraction
    microsteps: int

    def __post_init__(self) -> None:
        _set_length(self, "step_angle_deg")
        full_steps = 360 / self.step_angle_deg
        if full_steps.denominator != 1 or not 1 <= full_steps <= _MOST_FULL_STEPS:
            raise ValueError(
                f"Motor step_angle_deg = {plain_number(self.step_angle_deg)}: 360 degrees are "
                f"{plain_number(full_steps)} such steps; expected a whole number of steps in a "
                "turn, such as 1.8 (200 steps) or 0.9 (400 steps)"
            )
        _check_count(self, "microsteps", 1, _MOST_MICROSTEPS)

    @property
    def full_steps_per_rev(self) -> int:
        """Full steps in one turn of the motor: 360 degrees / step angle."""
        return int(360 / self.step_angle_deg)

    @property
    def microsteps_per_rev(self) -> int:
        """Microsteps, the steps a controller counts, in one turn of the motor."""
        return self.full_steps_per_rev * self.microsteps


@dataclass(frozen=True)
class DriveTrain:
    """Everything from the motor's coils to the carriage; `gears` from the motor outwards."""

    drive: Drive
    motor: Motor
    gears: tuple[GearPair, ...] = ()

    @property
    def unit(self) -> str:
        """``mm``, or ``deg`` for a rotary drive."""
        return self.drive.unit

    @property
    def gear_ratio(self) -> Fraction:
        """Turns of the output shaft for one turn of the motor."""
        return total_ratio(self.gears)

    @property
    def travel_per_rev_mm(self) -> Fraction:
        """Travel in mm for one turn of the output shaft."""
        return self.drive.travel_per_rev_mm

    @property
    def travel_per_motor_rev_mm(self) -> Fraction:
        """Travel in mm for one turn of the motor."""
        return self.travel_per_rev_mm * self.gear_ratio

    @property
    def steps_per_mm(self) -> Fraction:
        """Microsteps for one mm."""
        return self.motor.microsteps_per_rev / self.travel_per_motor_rev_mm

    @property
    def mm_per_step(self) -> Fraction:
        """Travel in mm for one microstep."""
        return 1 / self.steps_per_mm

    @property
    def lost_cycle_mm(self) -> Fraction:
        """Travel in mm of one electrical cycle, four full steps: the least a motor loses."""
        return self.travel_per_motor_rev_mm * FULL_STEPS_PER_CYCLE / self.motor.full_steps_per_rev

    def travel_sums(self) -> tuple[str, ...]:
        """Return the sums that give the travel, one a line; no motor is needed for them."""
        unit = self.unit
        sums = [f"{self.drive.working()} per revolution"]
        if self.gears:
            pairs = " x ".join(f"{pair.driver}/{pair.driven}" for pair in self.gears)
            sums.append(
                f"{plain_number(self.travel_per_rev_mm)} {unit} x {pairs}"
                f" = {plain_number(self.travel_per_motor_rev_mm)} {unit} per motor revolution"
            )
        return tuple(sums)

    def step_sums(self) -> tuple[str, ...]:
        """Return the sums that turn the travel into steps, one a line."""
        unit, motor = self.unit, self.motor
        return (
            f"{motor.full_steps_per_rev} full steps x {_counted(motor.microsteps, 'microstep')}"
            f" = {motor.microsteps_per_rev} steps per motor revolution",
            f"{motor.microsteps_per_rev} / {plain_number(self.travel_per_motor_rev_mm)} {unit}"
            f" = {plain_number(self.steps_per_mm)} steps per {unit}"
            f" = {plain_number(self.mm_per_step)} {unit} per step",
        )

    def working(self) -> str:
        """Return every step of the sum, from the drive to mm per step, joined by ``; ``."""
        return "; ".join((*self.travel_sums(), *self.step_sums()))
