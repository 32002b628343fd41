"""``tuner convert``: one number in all four forms, what microsteps change, what rounding costs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from tuner.commands.report import (
    exact_forms,
    form_numbers,
    print_columns,
    print_json,
    print_sentence,
    shaft_numbers,
)
from tuner.commands.typed_parts import (
    TypedMotor,
    axes_of,
    gears_of,
    microsteps_of,
    motors_of,
    number_of,
    ratio_of,
    stored_of,
)
from tuner.drive.numbers import exact_words, plain_number
from tuner.drive.parts import GearPair, Motor, total_ratio
from tuner.drive.scale import Form, Stored, error_of_ratio, form_key, form_words, forms_of
from tuner.drive.speed import (
    FASTEST_MOTOR_REVS_PER_S,
    STEP_ACCURACY,
    fastest_feed_mm_per_min,
    motor_revs_per_s,
    pulse_rate_hz,
    step_accuracy_mm,
    torque_of_one_step,
)
from tuner.errors import UsedWrongly
from tuner.text import shown

_SECONDS_PER_MIN = 60
# What the error of a rounded gear ratio is told for: a metre, or a whole turn.
_TOLD_FOR = {"mm": (Fraction(1000), "metre"), "deg": (Fraction(360), "turn")}
_FAR_OFF = Fraction(1, 10)


@dataclass(frozen=True, kw_only=True)
class Conversion:
    """One number to convert, and what is known about motor and gears.

    `motors` are the same motor with different microsteps; `given` belongs to the first.
    `reduction` is the nominal ratio, motor turns for one turn of the output shaft.
    """

    unit: str
    given: Stored | None
    motors: tuple[Motor, ...]
    gears: tuple[GearPair, ...]
    reduction: Fraction | None = None
    feed_mm_per_min: Fraction | None = None
    max_pulse_rate_hz: Fraction | None = None
    file: str | None = None
    axis: str | None = None

    @property
    def gear_ratio(self) -> Fraction:
        """Turns of the output shaft for one turn of the motor, by the teeth."""
        return total_ratio(self.gears)

    @property
    def steps_per_motor_rev(self) -> int | None:
        """Steps in one turn of the motor to which the given number belongs."""
        return self.motors[0].microsteps_per_rev if self.motors else None

    def forms(self, gear_ratio: Fraction) -> dict[Form, Fraction]:
        """The given number in all forms that can be known, with this ratio."""
        if self.given is None:
            return {}
        return forms_of(self.given, gear_ratio, self.steps_per_motor_rev)


@dataclass(frozen=True, kw_only=True)
class Column:
    """What one setting of the microsteps gives; None where no feed or no limit was given."""

    microsteps: int
    steps_per_mm: Fraction
    pulse_rate_hz: Fraction | None
    limit_share: Fraction | None
    fastest_feed_mm_per_min: Fraction | None


def convert(
    *,
    number: Sequence[str],
    motor: TypedMotor,
    nominal: str | None,
    feed: str | None,
    limit_hz: str | None,
    card_path: Path | None,
    axes: Sequence[str] | None,
    as_json: bool,
) -> int:
    """Print the conversion; `number` is empty, or value and form. Raises ``UsedWrongly``."""
    if len(number) not in (0, 2):
        raise UsedWrongly(
            "a number needs its form, both before any option: tuner convert 80 steps_per_mm …"
        )
    if card_path is None:
        if axes:
            raise UsedWrongly("--axis is an axis of a card; give --card as well")
        one = _bare(number, motor, nominal, feed, limit_hz)
    else:
        one = _of_card(card_path, axes, number, motor, nominal, feed, limit_hz)
    if as_json:
        print_json(as_report(one))
    else:
        _print(one)
    return 0


def _bare(
    number: Sequence[str],
    motor: TypedMotor,
    nominal: str | None,
    feed: str | None,
    limit_hz: str | None,
) -> Conversion:
    given, unit = stored_of("the number", *number) if number else (None, "mm")
    motors, gears = motors_of(motor), gears_of(motor)
    if given is None and nominal is None:
        raise UsedWrongly(
            "there is nothing to convert; give a number and its form, such as 80 steps_per_mm, "
            "or --card, or --gears with --nominal"
        )
    if feed is not None and (given is None or not motors):
        raise UsedWrongly("--feed needs a number, --full-steps and --microsteps as well")
    return Conversion(
        unit=unit,
        given=given,
        motors=motors,
        gears=gears,
        reduction=_reduction(nominal, gears),
        feed_mm_per_min=number_of("--feed", feed) if feed is not None else None,
        max_pulse_rate_hz=number_of("--limit-hz", limit_hz) if limit_hz is not None else None,
    )


def _of_card(
    path: Path,
    axes: Sequence[str] | None,
    number: Sequence[str],
    typed: TypedMotor,
    nominal: str | None,
    feed: str | None,
    limit_hz: str | None,
) -> Conversion:
    from tuner.card.read import read_card

    if typed.full_steps is not None or typed.step_angle is not None or typed.gears:
        raise UsedWrongly(
            "the card already says motor and gears; leave --full-steps, --step-angle and --gears "
            "out, or leave --card out"
        )
    card = read_card(path)
    chosen = axes_of(card, axes)
    if len(chosen) != 1:
        raise UsedWrongly(
            f"one axis at a time; choose it with --axis, one of {', '.join(card.axes)}"
        )
    (axis,) = chosen
    train = axis.train
    given, unit = stored_of("the number", *number) if number else (axis.stored, train.unit)
    if unit != train.unit:
        raise UsedWrongly(f"the number is in {unit}, and axis {axis.name} moves in {train.unit}")
    # The number belongs to the microsteps of the card; the others stand beside it.
    others = dict.fromkeys(n for n in microsteps_of(typed) if n != train.motor.microsteps)
    if feed is None and others:
        wanted_feed: Fraction | None = Fraction(axis.feed_mm_per_min)
    else:
        wanted_feed = None if feed is None else number_of("--feed", feed)
    angle = train.motor.step_angle_deg
    return Conversion(
        unit=unit,
        given=given,
        motors=(train.motor, *(Motor(angle, n) for n in others)),
        gears=train.gears,
        reduction=_reduction(nominal, train.gears),
        feed_mm_per_min=wanted_feed,
        max_pulse_rate_hz=(
            Fraction(axis.max_pulse_rate_hz)
            if limit_hz is None
            else number_of("--limit-hz", limit_hz)
        ),
        file=str(path),
        axis=axis.name,
    )


def _reduction(nominal: str | None, gears: tuple[GearPair, ...]) -> Fraction | None:
    """Return the nominal ratio, held against the teeth to see that it is not upside down."""
    if nominal is None:
        return None
    if not gears:
        raise UsedWrongly("--nominal is held against the teeth; give --gears as well")
    reduction = ratio_of("--nominal", nominal)
    ratio = total_ratio(gears)
    upside_down = abs(error_of_ratio(1 / reduction, ratio)) < _FAR_OFF
    if upside_down and abs(error_of_ratio(reduction, ratio)) >= _FAR_OFF:
        raise UsedWrongly(
            f"--nominal {shown(nominal)} is upside down: it is motor turns for one turn of the "
            f"output shaft, by the teeth {plain_number(1 / ratio)}"
        )
    return reduction


# --- what microsteps change ---------------------------------------------------------------


def columns_of(one: Conversion) -> tuple[Column, ...]:
    """Return a column for each setting of the microsteps; none where there is nothing to see."""
    forms = one.forms(one.gear_ratio)
    per_motor_rev = forms.get(Form.TRAVEL_PER_MOTOR_REV_MM)
    wanted = len(one.motors) > 1 or one.feed_mm_per_min is not None
    if per_motor_rev is None or not one.motors or not wanted:
        return ()
    return tuple(_column(one, motor, per_motor_rev) for motor in one.motors)


def _column(one: Conversion, motor: Motor, travel_per_motor_rev_mm: Fraction) -> Column:
    steps_per_mm = motor.microsteps_per_rev / travel_per_motor_rev_mm
    feed, limit = one.feed_mm_per_min, one.max_pulse_rate_hz
    rate = None if feed is None else pulse_rate_hz(feed, steps_per_mm)
    return Column(
        microsteps=motor.microsteps,
        steps_per_mm=steps_per_mm,
        pulse_rate_hz=rate,
        limit_share=None if rate is None or limit is None else rate / limit,
        fastest_feed_mm_per_min=(
            None if limit is None else fastest_feed_mm_per_min(limit, steps_per_mm)
        ),
    )


# --- for people ---------------------------------------------------------------------------


def _print(one: Conversion) -> None:
    unit = one.unit
    if one.given is not None:
        print(f"{plain_number(one.given.value)} {form_words(one.given.form, unit)}")
    for line in _known(one):
        print_sentence(line)
    if one.given is not None:
        print()
        forms = one.forms(one.gear_ratio)
        print_columns(
            [
                form_words(form, unit),
                exact_words(forms[form]) if form in forms else "not known",
                "given" if form is one.given.form else "",
            ]
            for form in Form
        )
        if not one.motors:
            print()
            print_sentence(
                "between a travel and steps stands the motor: add --full-steps 200 (a label says "
                "1.8 degrees; 0.9 degrees is 400) and --microsteps 16"
            )
    _print_microsteps(one)
    _print_nominal(one)


def _known(one: Conversion) -> list[str]:
    known = []
    if one.axis is not None:
        known.append(f"axis {one.axis.upper()} of {shown(one.file or '')}")
    if one.motors:
        motor = one.motors[0]
        known.append(
            f"motor of {motor.full_steps_per_rev} full steps at {motor.microsteps} microsteps"
        )
    pairs = " and ".join(f"{pair.driver}:{pair.driven}" for pair in one.gears)
    known.append(
        f"gears {pairs}: one turn of the output shaft is {exact_words(1 / one.gear_ratio)} turns "
        "of the motor"
        if one.gears
        else "no gears: the motor turns the output shaft"
    )
    return known


def _print_microsteps(one: Conversion) -> None:
    columns = columns_of(one)
    if not columns:
        return
    print()
    print("changes with the microsteps")
    print_columns(_changing(one, columns))
    print()
    print("does not change")
    print_columns(_unchanging(one))
    print()
    print_sentence(
        "A controller that stores steps needs the new number; one that stores a travel keeps its "
        "number and has to be told the microsteps. Finer steps are not more exact ones."
    )
    too_many = [
        str(column.microsteps)
        for column in columns
        if column.limit_share and column.limit_share > 1
    ]
    if too_many:
        print_sentence(
            f"At this feed the controller cannot make the steps of {', '.join(too_many)} "
            "microsteps: the axis would be slower than it is told."
        )


def _changing(one: Conversion, columns: Sequence[Column]) -> Iterator[Sequence[str]]:
    unit = one.unit
    yield "microsteps", *(str(column.microsteps) for column in columns)
    yield f"steps per {unit}", *(exact_words(column.steps_per_mm) for column in columns)
    yield f"{unit} per step", *(exact_words(1 / column.steps_per_mm) for column in columns)
    if one.feed_mm_per_min is not None:
        yield (
            f"pulse rate at {plain_number(one.feed_mm_per_min)} {unit}/min",
            *_measures((column.pulse_rate_hz for column in columns), "Hz"),
        )
    if one.max_pulse_rate_hz is not None:
        if one.feed_mm_per_min is not None:
            yield (
                f"share of the limit, {plain_number(one.max_pulse_rate_hz)} Hz",
                *(_share(column.limit_share) for column in columns if column.limit_share),
            )
        yield (
            "fastest feed within the limit",
            *_measures((column.fastest_feed_mm_per_min for column in columns), f"{unit}/min"),
        )
    yield (
        "torque that moves one step",
        *(f"{100 * torque_of_one_step(column.microsteps):.3g} %" for column in columns),
    )


def _unchanging(one: Conversion) -> Iterator[Sequence[str]]:
    unit, feed, motor = one.unit, one.feed_mm_per_min, one.motors[0]
    forms = one.forms(one.gear_ratio)
    per_motor_rev = forms[Form.TRAVEL_PER_MOTOR_REV_MM]
    for form in (Form.TRAVEL_PER_REV_MM, Form.TRAVEL_PER_MOTOR_REV_MM):
        yield form_words(form, unit), exact_words(forms[form])
    if feed is not None:
        per_s = motor_revs_per_s(feed, per_motor_rev)
        per_min = per_s * _SECONDS_PER_MIN
        fast = ", where most motors have little torque" if per_s > FASTEST_MOTOR_REVS_PER_S else ""
        yield (
            f"motor speed at {plain_number(feed)} {unit}/min",
            f"{float(per_s):.4g} turns/s, {float(per_min):.4g} turns/min{fast}",
        )
    accuracy = float(step_accuracy_mm(motor, per_motor_rev))
    yield (
        "the motor stands within",
        f"±{accuracy:.2g} {unit} ({plain_number(100 * STEP_ACCURACY)} % of a full step)",
    )


def _measures(values: Iterable[Fraction | None], unit: str) -> Iterator[str]:
    return (f"{plain_number(value)} {unit}" for value in values if value is not None)


def _share(share: Fraction) -> str:
    return f"{float(100 * share):.3g} %" + (": too many" if share > 1 else "")


def _print_nominal(one: Conversion) -> None:
    if one.reduction is None:
        return
    unit, exact, nominal = one.unit, one.gear_ratio, 1 / one.reduction
    rows = [
        ["gear ratio", "by the teeth", "nominal"],
        ["motor turns for one turn", exact_words(1 / exact), exact_words(one.reduction)],
    ]
    by_teeth, rounded = one.forms(exact), one.forms(nominal)
    rows += [
        [form_words(form, unit), exact_words(by_teeth[form]), exact_words(rounded[form])]
        for form in Form
        if form in by_teeth
    ]
    print()
    print_columns(rows)
    print()
    print_sentence(_error_words(one.reduction, exact, unit))


def _error_words(reduction: Fraction, gear_ratio: Fraction, unit: str) -> str:
    error = error_of_ratio(reduction, gear_ratio)
    told_for, name = _TOLD_FOR[unit]
    told = f"A controller that is told {plain_number(reduction)}:1"
    if error == 0:
        return f"{told} is right: that is what the teeth give."
    size = f"{plain_number(abs(error) * told_for)} {unit}"
    how = f"goes {size} too far" if error > 0 else f"stops {size} short"
    return f"{told} {how} in each {name}; tell it the teeth."


# --- for programs -------------------------------------------------------------------------


def as_report(one: Conversion) -> dict[str, Any]:
    """Return `one` as its JSON object; keys in deg where the number is in deg."""
    unit = one.unit
    forms = one.forms(one.gear_ratio)
    return {
        "file": one.file,
        "axis": one.axis,
        "unit": unit,
        "given": None
        if one.given is None
        else {
            "form": form_key(one.given.form, unit),
            "value": float(one.given.value),
            "exact": str(one.given.value),
        },
        **shaft_numbers(one.gears, one.motors[0] if one.motors else None),
        **form_numbers(forms, unit),
        "exact": exact_forms(forms, unit),
        "microsteps": _microsteps_report(one),
        "nominal": _nominal_report(one),
    }


def _microsteps_report(one: Conversion) -> list[dict[str, Any]] | None:
    columns = columns_of(one)
    if not columns:
        return None
    per_motor_rev = one.forms(one.gear_ratio)[Form.TRAVEL_PER_MOTOR_REV_MM]
    feed, unit = one.feed_mm_per_min, one.unit
    per_s = None if feed is None else motor_revs_per_s(feed, per_motor_rev)
    return [
        {
            "microsteps": column.microsteps,
            form_key(Form.STEPS_PER_MM, unit): float(column.steps_per_mm),
            form_key(Form.MM_PER_STEP, unit): float(1 / column.steps_per_mm),
            f"feed_{unit}_per_min": _number(feed),
            "motor_revs_per_s": _number(per_s),
            "pulse_rate_hz": _number(column.pulse_rate_hz),
            "max_pulse_rate_hz": _number(one.max_pulse_rate_hz),
            "within_limit": None if column.limit_share is None else column.limit_share <= 1,
            f"fastest_feed_{unit}_per_min": _number(column.fastest_feed_mm_per_min),
            "torque_of_one_step": torque_of_one_step(column.microsteps),
        }
        for column in columns
    ]


def _nominal_report(one: Conversion) -> dict[str, Any] | None:
    if one.reduction is None:
        return None
    error = error_of_ratio(one.reduction, one.gear_ratio)
    told_for, name = _TOLD_FOR[one.unit]
    return {
        "reduction": float(one.reduction),
        "reduction_by_teeth": {
            "value": float(1 / one.gear_ratio),
            "exact": str(1 / one.gear_ratio),
        },
        f"error_{one.unit}_per_{name}": float(error * told_for),
        **form_numbers(one.forms(1 / one.reduction), one.unit),
    }


def _number(value: Fraction | None) -> float | None:
    return None if value is None else float(value)
