"""Parts as they were typed on the command line, made into a drive train.

Everything typed arrives here as text and leaves exact; what cannot be used ends as
``UsedWrongly`` with the option, the value and what is expected.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from typing import TypeVar

from tuner.card.schema import Axis, Card
from tuner.commands.cards import check_axes
from tuner.drive.designation import Explained, belt_pitch, rack_module, screw
from tuner.drive.numbers import exact_mm, exact_number
from tuner.drive.parts import (
    Belt,
    Drive,
    Feeder,
    GearPair,
    Measured,
    Motor,
    Rack,
    Rotary,
    Screw,
)
from tuner.drive.scale import Form, Stored, parse_form
from tuner.errors import UsedWrongly
from tuner.text import clipped, shown

T = TypeVar("T")

_LONGEST_SHOWN = 40
_FULL_TURN_DEG = 360
_MOST_GEAR_PAIRS = 10  # as on a card


@dataclass(frozen=True, kw_only=True)
class TypedDrive:
    """What was typed about a drive of `kind`; the words of `designation` belong together."""

    kind: str
    designation: Sequence[str] = ()
    pitch: str | None = None
    teeth: str | None = None
    starts: str | None = None
    lead: str | None = None
    module: str | None = None
    diameter: str | None = None
    travel: str | None = None


@dataclass(frozen=True, kw_only=True)
class TypedMotor:
    """What was typed about motor and gears."""

    full_steps: str | None = None
    step_angle: str | None = None
    microsteps: Sequence[str] = ()
    gears: Sequence[str] = ()


def _used(option: str, parse: Callable[[str], T], text: str) -> T:
    try:
        return parse(text)
    except ValueError as error:
        raise UsedWrongly(f"{option}: {error}" if option else str(error)) from None


def _built(build: Callable[[], T]) -> T:
    try:
        return build()
    except ValueError as error:
        raise UsedWrongly(f"this part cannot be: {error}") from None


def _count(text: str) -> int:
    number = text.strip()
    if not (number.isascii() and number.isdigit() and len(number) <= 9):
        raise ValueError(
            f"'{clipped(shown(text), _LONGEST_SHOWN)}' is not a whole number; type it like 20"
        )
    return int(number)


# --- the drive ----------------------------------------------------------------------------


def drive_of(typed: TypedDrive) -> tuple[Drive, tuple[str, ...]]:
    """Return the drive that was typed, and sentences that explain what was typed for it."""
    name = " ".join(typed.designation)
    match typed.kind:
        case "belt":
            pitch, notes = _length(
                typed.pitch, "--pitch", name, belt_pitch, "2, or name the belt, such as XL"
            )
            teeth = _used("--teeth", _count, _needed(typed.teeth, "--teeth", "20"))
            return _built(partial(Belt, pitch, teeth)), notes
        case "screw":
            return _screw(typed, name)
        case "rack":
            module, notes = _length(
                typed.module, "--module", name, rack_module, "1, or name it, such as m1"
            )
            teeth = _used("--teeth", _count, _needed(typed.teeth, "--teeth", "20"))
            return _built(partial(Rack, module, teeth)), notes
        case "feeder":
            diameter, notes = _length(typed.diameter, "--diameter", "", None, "7.3")
            return _built(partial(Feeder, diameter)), notes
        case "measured":
            travel, notes = _length(typed.travel, "--travel", "", None, "39.98")
            return _built(partial(Measured, travel)), notes
    return Rotary(), ()


def _needed(text: str | None, option: str, example: str) -> str:
    if text is None:
        raise UsedWrongly(f"{option} is missing; give it like {option} {example}")
    return text


def _length(
    text: str | None,
    option: str,
    name: str,
    understand: Callable[[str], Explained[Fraction]] | None,
    example: str,
) -> tuple[Fraction, tuple[str, ...]]:
    """Return the length that was typed as `option` or designated by `name`."""
    if name and text is not None:
        raise UsedWrongly(f"{shown(name)} already says what {option} says; give one of them")
    if name and understand is not None:
        explained = _used("", understand, name)
        return explained.value, (_sentence(explained),)
    typed = _needed(text, option, example)
    value = _used(option, exact_mm, typed)
    return value, ()


def _sentence(explained: Explained[Fraction] | Explained[Screw]) -> str:
    return f"{explained.means} ({explained.source})"


def _screw(typed: TypedDrive, name: str) -> tuple[Drive, tuple[str, ...]]:
    if name:
        for option, given in (
            ("--pitch", typed.pitch), ("--lead", typed.lead), ("--starts", typed.starts)
        ):  # fmt: skip
            if given is not None:
                raise UsedWrongly(
                    f"{shown(name)} already says what {option} says; give one of them"
                )
        explained = _used("", screw, name)
        return explained.value, (_sentence(explained),)
    starts = _used("--starts", _count, typed.starts) if typed.starts is not None else None
    if typed.lead is None:
        if typed.pitch is None:
            raise UsedWrongly(
                "the screw is missing; give what is written on it, such as 'Tr8x8(P2)', or its "
                "--pitch and --starts, or its --lead"
            )
        pitch = _used("--pitch", exact_mm, typed.pitch)
        return _built(partial(Screw, pitch, 1 if starts is None else starts)), ()
    lead = _used("--lead", exact_mm, typed.lead)
    if typed.pitch is not None:
        pitch = _used("--pitch", exact_mm, typed.pitch)
        if pitch <= 0 or (lead / pitch).denominator != 1 or starts not in (None, lead / pitch):
            raise UsedWrongly(
                f"--lead {shown(typed.lead)} and --pitch {shown(typed.pitch)} do not agree; "
                "lead = starts x pitch"
            )
        return _built(partial(Screw, pitch, int(lead / pitch))), ()
    if starts is not None:
        return _built(partial(Screw, lead / max(starts, 1), starts)), ()
    return (
        _built(partial(Screw, lead)),
        ("only the lead was given: counted as one start, which travels the same",),
    )


# --- motor, gears, the stored number ------------------------------------------------------


def motors_of(typed: TypedMotor) -> tuple[Motor, ...]:
    """Return the motor with each of the microsteps that were typed; none where none were.

    Raises ``UsedWrongly`` where only half of a motor is known: nothing is assumed.
    """
    if typed.full_steps is not None and typed.step_angle is not None:
        raise UsedWrongly("--full-steps and --step-angle say the same; give one of them")
    given = typed.full_steps is not None or typed.step_angle is not None
    if not given and not typed.microsteps:
        return ()
    if not given:
        raise UsedWrongly(
            "--microsteps alone does not make a motor; give --full-steps 200 as well (a label "
            "says 1.8 degrees) or --full-steps 400 (0.9 degrees)"
        )
    if not typed.microsteps:
        raise UsedWrongly(
            "--microsteps is missing; give what the motor's driver is set to, such as "
            "--microsteps 16"
        )
    if typed.step_angle is not None:
        angle = _used("--step-angle", exact_number, typed.step_angle)
    else:
        full_steps = _used("--full-steps", _count, typed.full_steps or "")
        if full_steps == 0:
            raise UsedWrongly("--full-steps 0: expected the steps of one turn, such as 200")
        angle = Fraction(_FULL_TURN_DEG, full_steps)
    return tuple(
        _built(partial(Motor, angle, _used("--microsteps", _count, text)))
        for text in typed.microsteps
    )


def microsteps_of(typed: TypedMotor) -> tuple[int, ...]:
    """Return the microsteps that were typed; raises ``UsedWrongly`` where one cannot be."""
    return tuple(
        _built(partial(Motor, Fraction("1.8"), _used("--microsteps", _count, text))).microsteps
        for text in typed.microsteps
    )


def gears_of(typed: TypedMotor) -> tuple[GearPair, ...]:
    """Return the gear pairs that were typed as ``driver:driven``, from the motor outwards."""
    if len(typed.gears) > _MOST_GEAR_PAIRS:
        raise UsedWrongly(
            f"--gears has {len(typed.gears)} pairs; expected at most {_MOST_GEAR_PAIRS}"
        )
    return tuple(_used("--gears", _gear_pair, text) for text in typed.gears)


def _gear_pair(text: str) -> GearPair:
    driver, colon, driven = text.partition(":")
    if not colon:
        raise ValueError(
            f"'{clipped(shown(text), _LONGEST_SHOWN)}' is not a gear pair; type the teeth of both "
            "wheels, the one on the motor's side first, like 16:80"
        )
    return GearPair(_count(driver), _count(driven))


def number_of(option: str, text: str) -> Fraction:
    """Return the number above 0 that was typed for `option`; raises ``UsedWrongly``."""
    value = _used(option, exact_number, text)
    if value <= 0:
        raise UsedWrongly(f"{option} {shown(text)}: expected more than 0")
    return value


def ratio_of(option: str, text: str) -> Fraction:
    """Return the ratio above 0 that was typed as ``3``, ``3:1`` or ``50/17``."""
    first, colon, second = text.partition(":")
    ratio = number_of(option, first)
    return ratio / number_of(option, second) if colon else ratio


def stored_of(what: str, value: str, form_text: str) -> tuple[Stored, str]:
    """Return the number `value` in the form `form_text`, and its unit, mm or deg."""
    form, unit = _used(what, parse_form, form_text)
    is_length = unit == "mm" and form is not Form.STEPS_PER_MM
    number = _used(what, exact_mm if is_length else exact_number, value)
    try:
        return Stored(form, number), unit
    except ValueError:
        raise UsedWrongly(f"{what} {shown(value)}: expected more than 0") from None


# --- cards --------------------------------------------------------------------------------


def axes_of(card: Card, wanted: Sequence[str] | None) -> tuple[Axis, ...]:
    """Return the axes of `card` in its order, only the `wanted` ones where any were named."""
    check_axes(card, wanted or ())
    return tuple(axis for name, axis in card.axes.items() if not wanted or name in wanted)
