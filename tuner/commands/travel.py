"""``tuner travel``: what the parts give, in all forms, and whether the stored number agrees."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
    TypedDrive,
    TypedMotor,
    axes_of,
    drive_of,
    gears_of,
    motors_of,
    stored_of,
)
from tuner.drive.numbers import exact_words, plain_number
from tuner.drive.parts import (
    FULL_STEPS_PER_CYCLE,
    Drive,
    DriveTrain,
    Feeder,
    Motor,
    Rack,
)
from tuner.drive.scale import Form, Stored, all_forms, contradiction, form_key, form_words, forms_of
from tuner.errors import UsedWrongly
from tuner.text import shown

# Stands in where the motor is not known; only the travel, which no motor enters, is shown then.
_NO_MOTOR = Motor(Fraction("1.8"), 1)
_STEP_FORMS = (Form.STEPS_PER_MM, Form.MM_PER_STEP)
_UNKNOWN = "not known"


@dataclass(frozen=True, kw_only=True)
class Travel:
    """A drive train, whether its motor is known, and what the controller has stored for it."""

    train: DriveTrain
    motor_known: bool
    stored: Stored | None
    notes: tuple[str, ...] = ()
    file: str | None = None
    machine: str | None = None
    axis: str | None = None

    @property
    def forms(self) -> dict[Form, Fraction]:
        """What the parts give, in the forms that can be known."""
        forms = all_forms(self.train.steps_per_mm, self.train)
        if self.motor_known:
            return forms
        return {form: value for form, value in forms.items() if form not in _STEP_FORMS}

    @property
    def stored_forms(self) -> dict[Form, Fraction]:
        """The stored number in the forms that can be known."""
        if self.stored is None:
            return {}
        steps = self.train.motor.microsteps_per_rev if self.motor_known else None
        return forms_of(self.stored, self.train.gear_ratio, steps)

    @property
    def contradiction(self) -> str | None:
        """What the stored number says against the parts, or None."""
        return None if self.stored is None else contradiction(self.stored, self.train)


def travel_of_parts(
    *,
    drive: TypedDrive,
    motor: TypedMotor,
    stored: Sequence[str] | None,
    as_json: bool,
) -> int:
    """Print what the typed parts give; raises ``UsedWrongly`` where they make no drive."""
    built, notes = drive_of(drive)
    gears = gears_of(motor)
    motors = motors_of(motor)
    if len(motors) > 1:
        raise UsedWrongly(
            "one drive has one --microsteps; to compare several: tuner convert … --microsteps "
            "16 32 64"
        )
    held = None
    if stored is not None:
        held, unit = stored_of("--stored", *stored)
        if unit != built.unit:
            raise UsedWrongly(
                f"--stored is in {unit}, and this drive moves in {built.unit}; expected one of "
                f"{', '.join(form_key(form, built.unit) for form in Form)}"
            )
        if not motors and held.form in _STEP_FORMS:
            raise UsedWrongly(
                "a stored number of steps needs the motor: give --full-steps and --microsteps"
            )
    train = DriveTrain(built, motors[0] if motors else _NO_MOTOR, gears)
    _show([Travel(train=train, motor_known=bool(motors), stored=held, notes=notes)], as_json)
    return 0


def travel_of_card(*, card_path: Path, axes: Sequence[str] | None, as_json: bool) -> int:
    """Print what the parts of a card give, one axis after the other; raises ``BadFile``."""
    from tuner.card.read import read_card

    card = read_card(card_path)
    coupled: tuple[str, ...] = (
        "coupled belts: x and y carry the drives of motors a and b, and each number below is "
        "that of one motor",
    )
    travels = [
        Travel(
            train=axis.train,
            motor_known=True,
            stored=axis.stored,
            notes=coupled if card.layout == "coupled-belts" and axis.name in ("x", "y") else (),
            file=str(card_path),
            machine=card.name,
            axis=axis.name,
        )
        for axis in axes_of(card, axes)
    ]
    _show(travels, as_json)
    return 0


def _show(travels: Sequence[Travel], as_json: bool) -> None:
    for number, one in enumerate(travels):
        if as_json:
            print_json(as_report(one))
            continue
        if number:
            print()
        _print(one)


# --- for people ---------------------------------------------------------------------------


def _print(one: Travel) -> None:
    train, unit = one.train, one.train.unit
    if one.axis is not None and one.machine is not None:
        print(f"{shown(one.machine)}, axis {one.axis.upper()}: {train.drive.kind}")
    else:
        print(train.drive.kind)
    for note in one.notes:
        print_sentence(note)
    for line in (*train.travel_sums(), *(train.step_sums() if one.motor_known else ())):
        print_sentence(line)
    print()
    parts, stored = one.forms, one.stored_forms
    rows = [["", "the parts give", "stored"]]
    for form in Form:
        cell = exact_words(parts[form]) if form in parts else _UNKNOWN
        stored_cell = exact_words(stored[form]) if form in stored else ""
        rows.append([form_words(form, unit), cell, stored_cell])
    if one.motor_known:
        rows.append(
            [
                f"{unit} in a lost cycle ({FULL_STEPS_PER_CYCLE} full steps)",
                exact_words(train.lost_cycle_mm),
                "",
            ]
        )
    print_columns(rows if stored else [row[:2] for row in rows])
    print()
    if one.stored is not None:
        held = f"{plain_number(one.stored.value)} {form_words(one.stored.form, unit)}"
        print_sentence(one.contradiction or f"stored is {held}, as the parts give")
    if not one.motor_known:
        print_sentence(
            "steps need the motor: add --full-steps 200 (a label says 1.8 degrees; 0.9 degrees "
            "is 400) and --microsteps 16"
        )
    if isinstance(train.drive, Feeder):
        print_sentence(
            "the effective diameter is less than the outside of the teeth, which sink into the "
            "filament: only a measured length of filament gives it"
        )


# --- for programs -------------------------------------------------------------------------


def as_report(one: Travel) -> dict[str, Any]:
    """Return `one` as its JSON object; rotary drives have keys in deg."""
    train, unit = one.train, one.train.unit
    forms = one.forms
    sums = (*train.travel_sums(), *(train.step_sums() if one.motor_known else ()))
    stored = None
    if one.stored is not None:
        stored = {
            "form": form_key(one.stored.form, unit),
            "value": float(one.stored.value),
            **form_numbers(one.stored_forms, unit),
            "contradiction": one.contradiction,
        }
    return {
        "file": one.file,
        "machine": one.machine,
        "axis": one.axis,
        "unit": unit,
        "drive": _drive_report(train.drive),
        **shaft_numbers(train.gears, train.motor if one.motor_known else None),
        **form_numbers(forms, unit),
        "exact": None if _has_pi(train.drive) else exact_forms(forms, unit),
        f"lost_cycle_{unit}": float(train.lost_cycle_mm) if one.motor_known else None,
        "working": [*sums],
        "notes": [*one.notes],
        "stored": stored,
    }


def _drive_report(drive: Drive) -> Mapping[str, Any]:
    values = {
        name: float(value) if isinstance(value, Fraction) else value
        for name, value in vars(drive).items()
    }
    return {"kind": drive.kind, **values}


def _has_pi(drive: Drive) -> bool:
    return isinstance(drive, (Rack, Feeder))
