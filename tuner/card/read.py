"""Reading a machine card.

A card is somebody's text, often copied from another machine. It is read strictly: every
key must be known, every value possible, every unit right, and all that is wrong is told in
one go. A card that comes out of here has nothing left to check before it is used; what is
possible but odd is told by ``tuner.card.check``.
"""

from __future__ import annotations

import hashlib
from fractions import Fraction
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

from tuner.card.schema import Axis, Caliper, Card, EndSwitch, Filament
from tuner.card.strict import Section, parse, read_text
from tuner.drive.numbers import plain_number
from tuner.drive.parts import (
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
from tuner.drive.scale import Form, Stored

_WHAT = "machine card"

# ISO 841: X Y Z and U V W are straight, A B C turn; E is common practice for the feeder.
_STRAIGHT = ("x", "y", "z", "u", "v", "w")
_TURNING = ("a", "b", "c")
_FEEDER = "e"

_STRAIGHT_KINDS = ("belt", "screw", "rack", "measured")
_KINDS = {
    **dict.fromkeys(_STRAIGHT, _STRAIGHT_KINDS),
    **dict.fromkeys(_TURNING, ("rotary", *_STRAIGHT_KINDS)),
    _FEEDER: ("feeder",),
}

_DEFAULT_BAUD = 115_200
_DEFAULT_HOLD_TIME_S = Fraction(120)
_DEFAULT_ACCELERATION_PER_S2 = Fraction(500)
_DEFAULT_PULSE_RATE_HZ = Fraction(40_000)
# Slow enough to watch, and far below where any stepper motor runs out of torque.
_FASTEST_DEFAULT_FEED_PER_MIN = Fraction(1500)
_DEFAULT_MOTOR_REVS_PER_MIN = 120

_MOST_GEAR_PAIRS = 10
_LONGEST_PATH = 500
_FINEST_CALIPER_MM = Fraction("0.0005")
_SMALLEST_STORED = Fraction(1, 10**7)
_LARGEST_STORED = Fraction(10**7)

_FORM_KEYS = {form.value.replace("mm", "{}"): form for form in Form}

# Taken after a finding, so that reading can go on.
_STAND_IN_MOTOR = Motor(Fraction("1.8"), 16)
_STAND_IN_STORED = Stored(Form.STEPS_PER_MM, Fraction(80))


_FURTHEST = {"mm": 10_000, "deg": 36_000}
_FASTEST_PER_MIN = {"mm": 100_000, "deg": 1_000_000}


def read_card(path: Path) -> Card:
    """Return the card in the file at `path`; raises ``BadFile`` with all that is wrong."""
    return parse_card(read_text(path, _WHAT), str(path))


def parse_card(text: str, source: str) -> Card:
    """Return the card written in `text`, called `source` in what is wrong with it.

    Raises ``BadFile`` with every finding.
    """
    top = parse(text, source, _WHAT)
    machine = top.section("machine", "a table [machine] with name, dialect and baud")
    caliper = top.section("caliper", "a table [caliper] with what is written on the caliper")
    axes = top.section("axes", "a table for each axis, such as [axes.x]")
    top.unknown_keys()
    card = Card(
        **_machine(machine, axes),
        caliper=_caliper(caliper),
        axes=MappingProxyType(_axes(axes)),
        text=text,
        sha256=hashlib.sha256(text.encode()).hexdigest(),
    )
    top.raise_if_any()
    return card


def _machine(section: Section, axes: Section) -> dict[str, Any]:
    values = {
        "name": section.text("name", 'what you call it, such as "Bench mule"', 80),
        "layout": section.word("layout", ("independent", "coupled-belts"), "independent"),
        "dialect": section.text(
            "dialect", '"printer", "plain" or the path of a dialect file', _LONGEST_PATH
        ),
        "baud": section.count("baud", 300, 20_000_000, _DEFAULT_BAUD),
        "hold_time_s": float(section.number("hold_time_s", 1, 86_400, "s", _DEFAULT_HOLD_TIME_S)),
    }
    if values["layout"] == "coupled-belts" and not {"x", "y"} <= set(axes.names):
        section.refuse(
            "layout",
            "two belts move x and y together, and one of them is not on the card",
            "both [axes.x] and [axes.y], with the drives of motors a and b",
        )
    section.unknown_keys()
    return values


def _caliper(section: Section) -> Caliper:
    caliper = Caliper(
        range_mm=float(section.number("range_mm", 10, 3000, "mm")),
        resolution_mm=float(section.number("resolution_mm", _FINEST_CALIPER_MM, 1, "mm")),
        error_limit_mm=float(section.number("error_limit_mm", _FINEST_CALIPER_MM, 1, "mm")),
        id=section.text("id", "what is engraved on it, in quotes", 80, "") or None,
        calibrated_on=section.day("calibrated_on"),
    )
    section.unknown_keys()
    return caliper


def _axes(section: Section) -> dict[str, Axis]:
    axes = {}
    for name in section.names:
        if name in _KINDS:
            one = section.section(name, f"a table [axes.{name}]")
            axes[name] = _feeder(one) if name == _FEEDER else _axis(one, name)
    if not axes:
        section.refuse_all("there is no axis", "at least one, such as [axes.x]")
    section.unknown_keys(dict.fromkeys(section.names, f"one of {', '.join(_KINDS)}"))
    return axes


# --- one axis -----------------------------------------------------------------------------


def _axis(section: Section, name: str) -> Axis:
    train = _train(section, name)
    unit = train.unit
    stored = _stored(section, unit)
    low, high = section.interval(f"range_{unit}", -_FURTHEST[unit], _FURTHEST[unit], unit)
    axis = Axis(
        name=name,
        train=train,
        stored=stored,
        range_mm=(float(low), float(high)),
        reference=_reference(section, unit, low, high),
        reading_grows=_reading_grows(section),
        feed_mm_per_min=float(
            section.number(
                f"feed_{unit}_per_min",
                1,
                _FASTEST_PER_MIN[unit],
                f"{unit}/min",
                _default_feed_per_min(train),
            )
        ),
        moves=section.word("moves", ("tool", "bed"), "tool"),
        vertical=section.flag("vertical", name == "z"),
        **_common(section, unit),
    )
    section.unknown_keys(_of_the_other_unit(unit))
    return axis


def _feeder(section: Section) -> Axis:
    train = _train(section, _FEEDER)
    filament = Filament(
        diameter_mm=float(section.number("filament_diameter_mm", Fraction("0.5"), 10, "mm")),
        max_feed_mm_per_s=float(section.number("max_feed_mm_per_s", Fraction("0.05"), 100, "mm/s")),
        max_temperature_c=float(section.number("max_temperature_c", 50, 500, "C")),
    )
    axis = Axis(
        name=_FEEDER,
        train=train,
        stored=_stored(section, train.unit),
        range_mm=(0.0, 0.0),
        reference=EndSwitch("none", 0.0),
        reading_grows="plus",
        feed_mm_per_min=min(float(_default_feed_per_min(train)), filament.max_feed_mm_per_s * 60),
        moves="tool",
        vertical=False,
        filament=filament,
        **_common(section, train.unit),
    )
    no_axis = "nothing: a feeder has no ends and no place"
    section.unknown_keys(dict.fromkeys(("range_mm", "reference", "caliper", "moves"), no_axis))
    return axis


def _common(section: Section, unit: str) -> dict[str, Any]:
    """Return what an axis and a feeder share."""
    return {
        "acceleration_mm_per_s2": float(
            section.number(
                f"acceleration_{unit}_per_s2",
                1,
                1_000_000,
                f"{unit}/s2",
                _DEFAULT_ACCELERATION_PER_S2,
            )
        ),
        "max_pulse_rate_hz": float(
            section.number("max_pulse_rate_hz", 100, 100_000_000, "Hz", _DEFAULT_PULSE_RATE_HZ)
        ),
        "motors": section.count("motors", 1, 8, 1),
    }


def _default_feed_per_min(train: DriveTrain) -> Fraction:
    return min(
        _FASTEST_DEFAULT_FEED_PER_MIN, _DEFAULT_MOTOR_REVS_PER_MIN * train.travel_per_motor_rev_mm
    )


def _of_the_other_unit(unit: str) -> dict[str, str]:
    """Return what to write instead of a key in degrees where mm belong, or the reverse."""
    other = "deg" if unit == "mm" else "mm"
    keys = ("range_{}", "feed_{}_per_min", "acceleration_{}_per_s2", "position_{}", *_FORM_KEYS)
    return {
        key.format(other): f"{key.format(unit)}, because this axis moves in {unit}" for key in keys
    }


def _reading_grows(section: Section) -> Literal["plus", "minus"]:
    if not section.has("caliper"):
        return "plus"
    caliper = section.section("caliper", '{ reading_grows = "plus" }')
    grows: Literal["plus", "minus"] = caliper.word("reading_grows", ("plus", "minus"), "plus")
    caliper.unknown_keys()
    return grows


def _reference(section: Section, unit: str, low: Fraction, high: Fraction) -> EndSwitch:
    if not section.has("reference"):
        return EndSwitch("none", 0.0)
    key = f"position_{unit}"
    reference = section.section("reference", f'{{ at = "min", {key} = 0.0 }}')
    at: Literal["min", "max", "none"] = reference.word("at", ("min", "max", "none"))
    ends = {"min": low, "max": high}
    position = reference.number(
        key, -_FURTHEST[unit], _FURTHEST[unit], unit, ends.get(at, Fraction(0))
    )
    if at == "none" and reference.has(key):
        reference.refuse(key, "without an end switch there is no such position", "no such key")
    if at in ends and abs(position - ends[at]) > (high - low) / 2:
        reference.refuse(
            key,
            f"the end switch is at {at}, and this is nearer to the other end of the range",
            f"a position near {plain_number(ends[at])} {unit}",
        )
    reference.unknown_keys(_of_the_other_unit(unit))
    return EndSwitch(at, float(position))


# --- parts and the stored number ----------------------------------------------------------


def _train(section: Section, name: str) -> DriveTrain:
    return DriveTrain(_drive(section, name), _motor(section), _gears(section))


def _drive(axis: Section, name: str) -> Drive:
    kinds = _KINDS[name]
    section = axis.section("drive", f'{{ kind = "{kinds[0]}", … }}')
    kind = section.word("kind", kinds)
    if not kind:
        return Rotary() if kinds[0] == "rotary" else Measured(Fraction(1))
    drive = _drive_of(kind, section)
    section.unknown_keys()
    return drive


def _drive_of(kind: str, section: Section) -> Drive:
    def length(key: str) -> Fraction:
        return section.number(key, Fraction("0.01"), 1000, "mm")

    match kind:
        case "belt":
            return Belt(length("pitch_mm"), section.count("pulley_teeth", 6, 500))
        case "screw":
            return Screw(length("pitch_mm"), section.count("starts", 1, 20, 1))
        case "rack":
            return Rack(length("module_mm"), section.count("pinion_teeth", 6, 500))
        case "feeder":
            return Feeder(length("diameter_mm"))
        case "rotary":
            return Rotary()
        case _:
            return Measured(length("travel_per_rev_mm"))


def _motor(axis: Section) -> Motor:
    section = axis.section("motor", "{ step_angle_deg = 1.8, microsteps = 16 }")
    angle = section.number("step_angle_deg", Fraction("0.01"), 90, "deg")
    microsteps = section.count("microsteps", 1, 1024)
    section.unknown_keys()
    if (360 / angle).denominator != 1:
        section.refuse(
            "step_angle_deg",
            f"360 degrees are {plain_number(360 / angle)} such steps, which is not a whole number",
            "the angle of one full step, such as 1.8 (200 in a turn) or 0.9 (400)",
        )
        return _STAND_IN_MOTOR
    return Motor(angle, microsteps)


def _gears(axis: Section) -> tuple[GearPair, ...]:
    pairs = []
    expected = "pairs from the motor outwards, such as [{ driver = 16, driven = 80 }]"
    for section in axis.sections("gears", expected, _MOST_GEAR_PAIRS):
        pairs.append(GearPair(section.count("driver", 1, 1000), section.count("driven", 1, 1000)))
        section.unknown_keys()
    return tuple(pairs)


def _stored(axis: Section, unit: str) -> Stored:
    forms = {key.format(unit): form for key, form in _FORM_KEYS.items()}
    expected = f"exactly one of {', '.join(forms)}"
    section = axis.section("stored", expected)
    given = [key for key in forms if section.has(key)]
    if len(given) > 1:
        section.refuse_all(f"this holds {' and '.join(given)}", expected)
    if not section.names:
        section.refuse_all("this is empty", expected)
    section.unknown_keys(_of_the_other_unit(unit))
    values = [
        Stored(forms[key], section.number(key, _SMALLEST_STORED, _LARGEST_STORED, ""))
        for key in given
    ]
    return values[0] if values else _STAND_IN_STORED
