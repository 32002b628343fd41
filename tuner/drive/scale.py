"""The four usual forms of the stored number, and what a measured scale does to each.

A controller turns millimetres into steps with one stored number. Whichever form that
number has, everything here goes through steps per mm, so there is one formula a form.
Steps are microsteps. For a rotary drive read degrees for mm.

Rule: nothing is rounded here. Rounding belongs to whoever types the number in, and
``plain_number`` shows what that person would type.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from tuner.drive.numbers import decimals_of, plain_number
from tuner.drive.parts import Belt, DriveTrain, Screw
from tuner.drive.tables import (
    BELT_PITCHES_MM,
    MICROSTEPS,
    PULLEY_TEETH,
    SCREW_LEADS_MM,
    STEP_ANGLES_DEG,
)

__all__ = [
    "Form",
    "Stored",
    "all_forms",
    "contradiction",
    "convert",
    "form_words",
    "plain_number",
    "scaled",
    "steps_per_mm",
]


class Form(StrEnum):
    """The quantity that a controller stores."""

    TRAVEL_PER_REV_MM = "travel_per_rev_mm"
    TRAVEL_PER_MOTOR_REV_MM = "travel_per_motor_rev_mm"
    STEPS_PER_MM = "steps_per_mm"
    MM_PER_STEP = "mm_per_step"


@dataclass(frozen=True)
class Stored:
    """The number a controller holds today, in the form in which it holds it."""

    form: Form
    value: Fraction

    def __post_init__(self) -> None:
        if self.value <= 0:
            raise ValueError(
                f"stored {self.form} = {plain_number(self.value)}: expected more than 0; a "
                "reversed axis is a matter of its direction, not of this number"
            )


def form_words(form: Form, unit: str = "mm") -> str:
    """Return the unit of `form` in words, such as ``steps per mm``."""
    return {
        Form.TRAVEL_PER_REV_MM: f"{unit} per revolution",
        Form.TRAVEL_PER_MOTOR_REV_MM: f"{unit} per motor revolution",
        Form.STEPS_PER_MM: f"steps per {unit}",
        Form.MM_PER_STEP: f"{unit} per step",
    }[form]


def steps_per_mm(stored: Stored, train: DriveTrain) -> Fraction:
    """Return how many steps the controller sends for one commanded mm.

    A stored travel becomes steps with the motor and gears of `train`, since that is what
    the controller was told about them.
    """
    motor_revs = train.motor.microsteps_per_rev
    match stored.form:
        case Form.TRAVEL_PER_REV_MM:
            return motor_revs / (stored.value * train.gear_ratio)
        case Form.TRAVEL_PER_MOTOR_REV_MM:
            return motor_revs / stored.value
        case Form.STEPS_PER_MM:
            return stored.value
    return 1 / stored.value


def all_forms(steps_per_mm: Fraction, train: DriveTrain) -> dict[Form, Fraction]:
    """Return the same number of steps per mm in all four forms, for the motor and gears of
    `train`."""
    per_motor_rev = train.motor.microsteps_per_rev / steps_per_mm
    return {
        Form.TRAVEL_PER_REV_MM: per_motor_rev / train.gear_ratio,
        Form.TRAVEL_PER_MOTOR_REV_MM: per_motor_rev,
        Form.STEPS_PER_MM: steps_per_mm,
        Form.MM_PER_STEP: 1 / steps_per_mm,
    }


def convert(value: Fraction, from_form: Form, to_form: Form, train: DriveTrain) -> Fraction:
    """Return `value` of one form in another, for the motor and gears of `train`."""
    return all_forms(steps_per_mm(Stored(from_form, value), train), train)[to_form]


def scaled(stored: Stored, factor: Fraction) -> Stored:
    """Return the stored number that makes true travel right where the scale is `factor`.

    `factor` is true travel / commanded travel. An axis that goes 0.8 of what it is told
    needs 1/0.8 as many steps per mm; a stored travel is what one turn really gives, so it
    is multiplied instead.
    """
    if factor <= 0:
        raise ValueError(f"scale = {plain_number(factor)}: expected more than 0")
    if stored.form is Form.STEPS_PER_MM:
        return Stored(stored.form, stored.value / factor)
    return Stored(stored.form, stored.value * factor)


# --- stored against the parts -----------------------------------------------------------

_EQUAL = Fraction(1, 10**9)
# A stored number is excused for the rounding of its last decimal, but not for more than
# this: 5 is no rounding of 5.08.
_MOST_ROUNDING = Fraction(1, 1000)
_MM_PER_INCH = Fraction("25.4")  # exact by definition (NIST SP 811)


def _agrees(value: Fraction, wanted: Fraction) -> bool:
    """Whether `value` is `wanted`, or what is left of it after rounding to its decimals."""
    off = abs(value - wanted)
    if off <= wanted * _EQUAL:
        return True
    decimals = decimals_of(value)
    return (
        decimals is not None
        and off <= Fraction(1, 2 * 10**decimals)
        and off <= wanted * _MOST_ROUNDING
    )


def _other_drives(train: DriveTrain) -> Iterator[tuple[Fraction, str]]:
    """Yield travel per revolution / that of `train`, and the part that would give it."""
    drive = train.drive
    if isinstance(drive, Belt):
        for teeth in PULLEY_TEETH:
            yield (
                Fraction(teeth, drive.pulley_teeth),
                f"a pulley of {teeth} teeth instead of {drive.pulley_teeth}",
            )
        for pitch in BELT_PITCHES_MM:
            yield (
                pitch / drive.pitch_mm,
                f"a belt of {plain_number(pitch)} mm pitch"
                f" instead of {plain_number(drive.pitch_mm)}",
            )
    if isinstance(drive, Screw):
        if drive.starts > 1:
            yield Fraction(1, drive.starts), "the pitch of the screw taken for its lead"
        for screw in SCREW_LEADS_MM:
            lead = plain_number(screw.travel_per_rev_mm)
            yield (
                screw.travel_per_rev_mm / drive.travel_per_rev_mm,
                f"a screw of {lead} mm lead instead of {plain_number(drive.travel_per_rev_mm)}",
            )


def _other_motors(train: DriveTrain) -> Iterator[tuple[Fraction, str]]:
    """Yield steps per motor revolution / those of `train`, and what would give them."""
    motor = train.motor
    for angle in STEP_ANGLES_DEG:
        full_steps = 360 / angle
        yield (
            full_steps / motor.full_steps_per_rev,
            f"a motor of {full_steps} full steps instead of {motor.full_steps_per_rev}",
        )
    for microsteps in MICROSTEPS:
        yield (
            Fraction(microsteps, motor.microsteps),
            f"{microsteps} microsteps instead of {motor.microsteps}",
        )


def _candidates(form: Form, train: DriveTrain) -> Iterator[tuple[Fraction, str]]:
    """Yield stored / expected in the form `form`, and what would explain that factor."""
    per_steps = form in (Form.STEPS_PER_MM, Form.MM_PER_STEP)

    def in_form(steps_factor: Fraction) -> Fraction:
        return steps_factor if form is Form.STEPS_PER_MM else 1 / steps_factor

    yield in_form(_MM_PER_INCH), "a number for inches instead of mm"
    for travel, says in _other_drives(train):
        yield in_form(1 / travel), says
    if per_steps:
        for steps, says in _other_motors(train):
            yield in_form(steps), says
    ratio = train.gear_ratio
    if form is Form.TRAVEL_PER_REV_MM:
        yield ratio, "a number for one motor revolution"
    elif form is Form.TRAVEL_PER_MOTOR_REV_MM:
        yield 1 / ratio, "a number for one revolution of the output shaft"
    else:
        yield in_form(ratio), "the gears left out"
    if form is not Form.TRAVEL_PER_REV_MM:
        yield in_form(ratio**2), "the gears counted the wrong way round"


_FACTOR_WORDS = {Fraction(1, 2): "half of", Fraction(2): "twice"}


def contradiction(stored: Stored, train: DriveTrain) -> str | None:
    """Return in words how `stored` contradicts the parts, or None where it agrees with them.

    They agree within 1e-9, or when `stored` is what the parts give, rounded to the
    decimals of `stored`. What is named as an explanation fits just as exactly; it is a
    place to look, not a finding.
    """
    expected = all_forms(train.steps_per_mm, train)[stored.form]
    if _agrees(stored.value, expected):
        return None
    factor = stored.value / expected
    words = f"{_FACTOR_WORDS.get(factor, plain_number(factor) + ' times')} what the parts give"
    numbers = (
        f"{plain_number(stored.value)} against {plain_number(expected)} "
        f"{form_words(stored.form, train.unit)}, factor {plain_number(factor)}"
    )
    # A dict keeps the first mention only: a screw lead comes from several standards.
    fitting = dict.fromkeys(
        says
        for candidate, says in _candidates(stored.form, train)
        if candidate != 1 and _agrees(stored.value, expected * candidate)
    )
    advice = (
        f"that would fit: {', or '.join(fitting)}"
        if fitting
        else "no usual part explains it; either it was measured once, or the stored number "
        "or a part is not what the card says: read both again"
    )
    return f"stored is {words} ({numbers}): {advice}"
