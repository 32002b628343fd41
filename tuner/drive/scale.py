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

from tuner.drive.numbers import MM_PER_INCH, decimals_of, plain_number
from tuner.drive.parts import PI, Belt, DriveTrain, Feeder, Rack, Screw
from tuner.drive.tables import (
    BELT_PITCHES_MM,
    MICROSTEPS,
    MODULES_MM,
    PULLEY_TEETH,
    SCREW_LEADS_MM,
    STEP_ANGLES_DEG,
)
from tuner.text import clipped, shown

__all__ = [
    "Form",
    "Stored",
    "all_forms",
    "contradiction",
    "convert",
    "error_of_ratio",
    "form_key",
    "form_words",
    "forms_of",
    "output_turn_mm",
    "parse_form",
    "plain_number",
    "scaled",
    "steps_per_mm",
]

_LONGEST_SHOWN = 40


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


def form_key(form: Form, unit: str = "mm") -> str:
    """Return `form` as cards and reports write it, such as ``steps_per_deg``."""
    return form.value.replace("mm", unit)


def parse_form(text: str) -> tuple[Form, str]:
    """Return the form and the unit that a person typed, such as ``steps-per-mm``.

    Raises ``ValueError`` with all the forms for anything else.
    """
    key = text.strip().lower().replace("-", "_")
    for form in Form:
        for unit in ("mm", "deg"):
            if key == form_key(form, unit):
                return form, unit
    raise ValueError(
        f"'{clipped(shown(text), _LONGEST_SHOWN)}' is not one of the four forms; expected "
        f"{', '.join(Form)}, or the same in deg"
    )


def forms_of(
    stored: Stored, gear_ratio: Fraction, steps_per_motor_rev: int | None
) -> dict[Form, Fraction]:
    """Return the same number in all four forms.

    `gear_ratio` is turns of the output shaft for one of the motor. Where the motor is not
    known, a travel says nothing about steps: only the two forms of the same kind are returned.
    """
    match stored.form:
        case Form.TRAVEL_PER_REV_MM:
            per_motor_rev = stored.value * gear_ratio
        case Form.TRAVEL_PER_MOTOR_REV_MM:
            per_motor_rev = stored.value
        case _:
            steps = stored.value if stored.form is Form.STEPS_PER_MM else 1 / stored.value
            if steps_per_motor_rev is None:
                return {Form.STEPS_PER_MM: steps, Form.MM_PER_STEP: 1 / steps}
            per_motor_rev = steps_per_motor_rev / steps
    travels = {
        Form.TRAVEL_PER_REV_MM: per_motor_rev / gear_ratio,
        Form.TRAVEL_PER_MOTOR_REV_MM: per_motor_rev,
    }
    if steps_per_motor_rev is None:
        return travels
    steps = steps_per_motor_rev / per_motor_rev
    return {**travels, Form.STEPS_PER_MM: steps, Form.MM_PER_STEP: 1 / steps}


def steps_per_mm(stored: Stored, train: DriveTrain) -> Fraction:
    """Return how many steps the controller sends for one commanded mm.

    A stored travel becomes steps with the motor and gears of `train`, since that is what
    the controller was told about them.
    """
    return forms_of(stored, train.gear_ratio, train.motor.microsteps_per_rev)[Form.STEPS_PER_MM]


def output_turn_mm(train: DriveTrain, stored: Stored) -> float:
    """Return the commanded mm that make one turn of the output shaft, counted from steps.

    Never the expected travel: the controller counts steps, and whether a turn gives the
    expected travel is what the readings are to show.
    """
    turn = train.motor.microsteps_per_rev / train.gear_ratio / steps_per_mm(stored, train)
    return float(turn)


def all_forms(steps_per_mm: Fraction, train: DriveTrain) -> dict[Form, Fraction]:
    """Return the same number of steps per mm in all four forms, for the motor and gears of
    `train`."""
    stored = Stored(Form.STEPS_PER_MM, steps_per_mm)
    return forms_of(stored, train.gear_ratio, train.motor.microsteps_per_rev)


def convert(value: Fraction, from_form: Form, to_form: Form, train: DriveTrain) -> Fraction:
    """Return `value` of one form in another, for the motor and gears of `train`."""
    return all_forms(steps_per_mm(Stored(from_form, value), train), train)[to_form]


def error_of_ratio(reduction: Fraction, gear_ratio: Fraction) -> Fraction:
    """Return the share of every travel that a controller goes too far, which was told
    `reduction` motor turns for one turn of the output shaft where the teeth give `gear_ratio`.

    17 teeth driving 50 taken for 3:1 is 0.02, or 20 mm in each metre.
    """
    return reduction * gear_ratio - 1


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
    if isinstance(drive, Rack):
        for module in MODULES_MM:
            yield (
                module / drive.module_mm,
                f"a rack of module {plain_number(module)} mm"
                f" instead of {plain_number(drive.module_mm)}",
            )
    if isinstance(drive, (Rack, Feeder)):
        yield 1 / PI, "pi left out"
        yield Fraction("3.14") / PI, "3.14 taken for pi"


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

    yield in_form(MM_PER_INCH), "a number for inches instead of mm"
    for slipped in (Fraction(1, 100), Fraction(1, 10), Fraction(10), Fraction(100)):
        yield slipped, "a slipped decimal point"
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
        for rounded, says in _rounded_gears(ratio):
            yield in_form(ratio / rounded), says


def _rounded_gears(ratio: Fraction) -> Iterator[tuple[Fraction, str]]:
    """Yield the ratios that somebody may have written instead of the teeth of `ratio`."""
    larger = max(ratio, 1 / ratio)

    def words(number: Fraction) -> str:
        return f"1:{plain_number(number)}" if ratio > 1 else f"{plain_number(number)}:1"

    for rounded in dict.fromkeys((Fraction(round(larger)), round(larger, 1), round(larger, 2))):
        yield (
            rounded if ratio > 1 else 1 / rounded,
            f"a gear ratio of {words(rounded)} instead of the {words(larger)} of the teeth",
        )


_FACTOR_WORDS = {
    Fraction(1, 10): "a tenth of",
    Fraction(1, 4): "a quarter of",
    Fraction(1, 3): "a third of",
    Fraction(1, 2): "half of",
    Fraction(2): "twice",
    Fraction(3): "three times",
    Fraction(4): "four times",
    Fraction(10): "ten times",
}


def _factor_words(value: Fraction, expected: Fraction) -> str:
    for factor, words in _FACTOR_WORDS.items():
        if value == expected * factor:
            return f"exactly {words}"
        if _agrees(value, expected * factor):
            return f"but for its rounding {words}"
    return f"{plain_number(value / expected)} times"


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
    words = f"{_factor_words(stored.value, expected)} what the parts give"
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
