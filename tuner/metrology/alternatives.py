"""What may differ from a machine card: other real parts, another number, other units.

Each alternative is one thing that is not as described, with how often that happens and what it
does to the scale, exactly. The weights are common practice and have no source; sizes and how
common each is come from ``tuner.drive.tables``.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from typing import Literal

from tuner.drive.numbers import MM_PER_INCH
from tuner.drive.parts import PI, Belt, DriveTrain, GearPair, Rack, Screw
from tuner.drive.scale import Stored, all_forms, form_words, plain_number, scaled
from tuner.drive.tables import (
    BELT_PITCHES_MM,
    MICROSTEPS,
    MODULES_MM,
    PULLEY_TEETH,
    SCREW_LEADS_MM,
    STEP_ANGLES_DEG,
)

Side = Literal["motor", "output", "number", "several"]

# How often each kind of thing is not what the card says.
AS_DESCRIBED = 0.60
_OUTPUT_PART = 0.10  # pulley, screw or pinion taken for another
_BELT_PITCH = 0.07
_RACK_MODULE = 0.02
_GEAR_TEETH = 0.05
_STEP_ANGLE = 0.02
_MICROSTEPS = 0.04
_INCH_UNITS = 0.01
# The card's copy of the stored number is wrong: rare, and seen as soon as anybody changes it. It
# is the number of a machine with another output part, or with another motor or driver.
_STORED_MISREAD = {"output": 0.006, "motor": 0.0006}
# The stored number contradicts the parts: then it may be the number that is right.
_NUMBER_RIGHT = 0.20

# A lead is one known screw when so much of its weight in the table is that screw's.
_ONE_SCREW = 0.95

# Looks are work too: nothing is touched before this.
OFF = "power off and unplugged: "
READ_THE_NUMBER = "read the stored number again from the controller, to its last digit"
"""The look at the number itself, which an unplugged machine cannot show."""


@dataclass(frozen=True)
class Alternative:
    """One thing that may differ from the card. `ratio` is what it does to the scale.

    `open_keys` are those of `changes` whose value the scale does not settle. `turns` is how far
    the motor then turns where the controller means one turn. `asks` is the one thing that is
    answered with yes or no after the `check`, empty where there is nothing to look at.
    """

    name: str
    suspect: str
    says: str
    check: str
    side: Side
    changes: Mapping[str, Fraction | int]
    ratio: Fraction
    weight: float
    open_keys: tuple[str, ...] = ()
    turns: Fraction = Fraction(1)
    asks: str = ""

    @cached_property
    def look(self) -> str:
        """The key under which a person's look at this is recorded."""
        return f"{self.name}={self.suspect}"


def changed(train: DriveTrain, changes: Mapping[str, Fraction | int]) -> DriveTrain:
    """Return `train` with `changes` applied; keys as on the card, such as ``drive.pitch_mm``.

    The stored number is no part of a train: its key changes nothing here.
    """
    drive, motor, gears = train.drive, train.motor, list(train.gears)
    for key, value in changes.items():
        match key.split("."):
            case ["drive", name]:
                drive = replace(drive, **{name: value})  # type: ignore[arg-type]
            case ["motor", name]:
                motor = replace(motor, **{name: value})  # type: ignore[arg-type]
            case ["gears", place, name]:
                pair = gears[int(place)]
                gears[int(place)] = replace(pair, **{name: int(value)})
    return DriveTrain(drive, motor, tuple(gears))


def _shared(total: float, weights: Mapping[Fraction, float]) -> dict[Fraction, float]:
    """Share `total` out over the keys of `weights`, in proportion."""
    whole = math.fsum(weights.values())
    return {key: total * weight / whole for key, weight in weights.items()}


def _teeth(now: int) -> dict[Fraction, float]:
    others = {Fraction(teeth): weight for teeth, weight in PULLEY_TEETH.items() if teeth != now}
    return _shared(_OUTPUT_PART, others)


def _belt_parts(belt: Belt) -> Iterator[Alternative]:
    for teeth, weight in _teeth(belt.pulley_teeth).items():
        yield Alternative(
            name="pulley-teeth",
            suspect=str(teeth),
            says=f"{teeth} teeth, the card says {belt.pulley_teeth}",
            check=OFF + "count the teeth of the pulley on the motor shaft",
            asks=f"Has it {teeth} teeth (and not the {belt.pulley_teeth} of the card)?",
            side="output",
            changes={"drive.pulley_teeth": int(teeth)},
            ratio=teeth / belt.pulley_teeth,
            weight=weight,
        )
    others = {one: weight for one, weight in BELT_PITCHES_MM.items() if one != belt.pitch_mm}
    for pitch, weight in _shared(_BELT_PITCH, others).items():
        yield Alternative(
            name="belt-pitch",
            suspect=plain_number(pitch),
            says=f"{plain_number(pitch)} mm pitch, the card says {plain_number(belt.pitch_mm)}",
            check=OFF + f"measure 50 teeth of the belt: {plain_number(50 * pitch)} mm at "
            f"{plain_number(pitch)} mm pitch, {plain_number(50 * belt.pitch_mm)} mm by the card",
            asks=f"Is the pitch {plain_number(pitch)} mm (and not the "
            f"{plain_number(belt.pitch_mm)} of the card)?",
            side="output",
            changes={"drive.pitch_mm": pitch},
            ratio=pitch / belt.pitch_mm,
            weight=weight,
        )


def _screw_parts(screw: Screw) -> Iterator[Alternative]:
    lead_now = screw.travel_per_rev_mm
    screws: dict[Fraction, dict[Screw, float]] = defaultdict(dict)
    for one, weight in SCREW_LEADS_MM.items():
        if one.travel_per_rev_mm != lead_now:
            screws[one.travel_per_rev_mm][one] = weight
    weight_of = {lead: math.fsum(ones.values()) for lead, ones in screws.items()}
    for lead, weight in _shared(_OUTPUT_PART, weight_of).items():
        # One lead can be several screws; the reading shows the lead, so name the usual one.
        usual = max(screws[lead], key=lambda one: (screws[lead][one], -one.starts))
        settled = screws[lead][usual] >= _ONE_SCREW * weight_of[lead]
        yield Alternative(
            name="screw-lead",
            suspect=plain_number(lead),
            says=f"a lead of {plain_number(lead)} mm, the card says {plain_number(lead_now)}",
            check=OFF
            + "turn the screw ten turns by hand, slowly, and measure how far the nut goes: "
            f"{plain_number(10 * lead)} mm at a lead of {plain_number(lead)} mm, "
            f"{plain_number(10 * lead_now)} mm by the card",
            asks=f"Is the lead {plain_number(lead)} mm (and not the {plain_number(lead_now)} of "
            "the card)?",
            side="output",
            changes={"drive.pitch_mm": usual.pitch_mm, "drive.starts": usual.starts},
            open_keys=() if settled else ("drive.pitch_mm", "drive.starts"),
            ratio=lead / lead_now,
            weight=weight,
        )


def _rack_parts(rack: Rack) -> Iterator[Alternative]:
    # No table of pinions: small ones are as common as pulleys of the same size.
    for teeth, weight in _teeth(rack.pinion_teeth).items():
        yield Alternative(
            name="pinion-teeth",
            suspect=str(teeth),
            says=f"{teeth} pinion teeth, the card says {rack.pinion_teeth}",
            check=OFF + "count the teeth of the pinion",
            asks=f"Has it {teeth} teeth (and not the {rack.pinion_teeth} of the card)?",
            side="output",
            changes={"drive.pinion_teeth": int(teeth)},
            ratio=teeth / rack.pinion_teeth,
            weight=weight,
        )
    others = {one: weight for one, weight in MODULES_MM.items() if one != rack.module_mm}
    for module, weight in _shared(_RACK_MODULE, others).items():
        ten_teeth_mm, by_card_mm = (round(10 * PI * one, 2) for one in (module, rack.module_mm))
        yield Alternative(
            name="rack-module",
            suspect=plain_number(module),
            says=f"module {plain_number(module)}, the card says {plain_number(rack.module_mm)}",
            check=OFF + f"measure ten teeth along the rack: {plain_number(ten_teeth_mm)} mm at "
            f"module {plain_number(module)}, {plain_number(by_card_mm)} mm by the card",
            asks=f"Is it module {plain_number(module)} (and not the "
            f"{plain_number(rack.module_mm)} of the card)?",
            side="output",
            changes={"drive.module_mm": module},
            ratio=module / rack.module_mm,
            weight=weight,
        )


def _gear_parts(place: int, pair: GearPair) -> Iterator[Alternative]:
    """A wheel of the pair with another count, near ones likelier, or the pair swapped."""
    options: dict[tuple[int, int], float] = {}
    for teeth in range(8, 121):
        for other in ((teeth, pair.driven), (pair.driver, teeth)):
            off = abs(other[0] - pair.driver) + abs(other[1] - pair.driven)
            if off:
                options[other] = 1.0 / off**2
    if pair.driver != pair.driven:
        options[pair.driven, pair.driver] = 1.0
    whole = math.fsum(options.values())
    for (driver, driven), weight in options.items():
        keys = {"driver": driver, "driven": driven}
        now = {"driver": pair.driver, "driven": pair.driven}
        yield Alternative(
            name="gear-teeth",
            suspect=f"{place + 1}:{driver}:{driven}",
            says=f"{driver} teeth drive {driven} in gear pair {place + 1}, the card says "
            f"{pair.driver} drive {pair.driven}",
            check=OFF + f"count the teeth of both wheels of gear pair {place + 1}, counted "
            "from the motor",
            asks=f"Do {driver} teeth drive {driven} (and not {pair.driver} drive {pair.driven}, as "
            "on the card)?",
            side="output",
            changes={f"gears.{place}.{k}": v for k, v in keys.items() if v != now[k]},
            ratio=Fraction(driver, driven) / pair.ratio,
            weight=_GEAR_TEETH * weight / whole,
        )


def _motor_parts(train: DriveTrain) -> Iterator[Alternative]:
    motor = train.motor
    angles = {one: w for one, w in STEP_ANGLES_DEG.items() if one != motor.step_angle_deg}
    for angle, weight in _shared(_STEP_ANGLE, angles).items():
        yield Alternative(
            name="step-angle",
            suspect=plain_number(angle),
            says=f"a motor of {plain_number(angle)} degrees per step, the card says "
            f"{plain_number(motor.step_angle_deg)}",
            check=OFF + "read the step angle on the motor's label",
            asks=f"Is it {plain_number(angle)} degrees (and not the "
            f"{plain_number(motor.step_angle_deg)} of the card)?",
            side="motor",
            changes={"motor.step_angle_deg": angle},
            ratio=angle / motor.step_angle_deg,
            turns=angle / motor.step_angle_deg,
            weight=weight,
        )
    divisions = {Fraction(one): w for one, w in MICROSTEPS.items() if one != motor.microsteps}
    for microsteps, weight in _shared(_MICROSTEPS, divisions).items():
        yield Alternative(
            name="microsteps",
            suspect=str(microsteps),
            says=f"{microsteps} microsteps, the card says {motor.microsteps}",
            check=OFF + "look at the microstep jumpers or switches of the motor driver",
            asks=f"Are they set to {microsteps} (and not to the {motor.microsteps} of the card)?",
            side="motor",
            changes={"motor.microsteps": int(microsteps)},
            ratio=motor.microsteps / microsteps,
            turns=motor.microsteps / microsteps,
            weight=weight,
        )


def parts_of(train: DriveTrain) -> list[Alternative]:
    """Return the real parts that may be in the place of those of `train`, each alone."""
    found = list(_motor_parts(train))
    match train.drive:
        case Belt() as belt:
            found += _belt_parts(belt)
        case Screw() as screw:
            found += _screw_parts(screw)
        case Rack() as rack:
            found += _rack_parts(rack)
        case _:
            pass  # a wheel on filament, a table, a measured travel: no list of sizes
    for place, pair in enumerate(train.gears):
        found += _gear_parts(place, pair)
    return found


def _misread_numbers(
    train: DriveTrain, stored: Stored, parts: Sequence[Alternative]
) -> Iterator[Alternative]:
    """The controller holds another number than the card says.

    It is the number of a machine like this one with one part different.
    """
    right = all_forms(train.steps_per_mm, train)[stored.form]
    weights: dict[Fraction, float] = defaultdict(float)
    for side, total in _STORED_MISREAD.items():
        others = [one for one in parts if one.side == side and one.ratio != 1]
        whole = math.fsum(one.weight for one in others)
        for one in others:
            weights[1 / one.ratio] += total * one.weight / whole
    for ratio, weight in weights.items():
        holds = plain_number(scaled(stored, 1 / ratio).value)
        yield Alternative(
            name="stored-number",
            suspect=holds,
            says=f"the controller holds {holds} {form_words(stored.form, train.unit)}, the card "
            f"says {plain_number(stored.value)}",
            check=READ_THE_NUMBER,
            asks=f"Does it hold {holds} (and not the {plain_number(stored.value)} of the card)?",
            side="number",
            changes={f"stored.{stored.form}": right},
            ratio=ratio,
            turns=ratio,
            weight=weight,
        )


def _inch_units() -> Iterator[Alternative]:
    yield Alternative(
        name="inch-units",
        suspect="controller",
        says="the controller takes lengths as inches",
        check="read which units the controller is set to; nothing may move until they are mm",
        asks="Is it set to inches (and not to mm)?",
        side="number",
        changes={},
        ratio=MM_PER_INCH,
        turns=MM_PER_INCH,
        weight=_INCH_UNITS / 2,
    )
    yield Alternative(
        name="inch-units",
        suspect="caliper",
        says="the caliper showed inches",
        check="look which unit the caliper's display says",
        asks="Does it say inches (and not mm)?",
        side="number",
        changes={},
        ratio=1 / MM_PER_INCH,
        weight=_INCH_UNITS / 2,
    )


def _card_itself(train: DriveTrain, stored: Stored, given: Fraction) -> list[Alternative]:
    """The card as it stands; where it contradicts itself, number and parts in turn.

    `given` is the scale that its stored number gives with its parts.
    """
    if given == 1:
        return [
            Alternative(
                name="as-described",
                suspect="card",
                says="the machine is what the card says",
                check="nothing to look at",
                side="output",
                changes={},
                ratio=Fraction(1),
                weight=AS_DESCRIBED,
            )
        ]
    number = all_forms(train.steps_per_mm, train)[stored.form]
    words = form_words(stored.form, train.unit)
    return [
        Alternative(
            name="stored-number",
            suspect="parts",
            says=f"the parts give {plain_number(number)} {words}, the controller holds "
            f"{plain_number(stored.value)}",
            check=READ_THE_NUMBER,
            asks=f"Does it hold {plain_number(stored.value)}, as on the card?",
            side="number",
            changes={f"stored.{stored.form}": number},
            ratio=Fraction(1),
            weight=AS_DESCRIBED - _NUMBER_RIGHT,
        ),
        Alternative(
            name="compensating",
            suspect="card",
            says=f"{plain_number(stored.value)} {words} suits the machine, the parts on the card "
            "do not",
            check=OFF + "look the parts over and correct the card",
            side="number",
            changes={},
            ratio=1 / given,
            weight=_NUMBER_RIGHT,
        ),
    ]


def others_of(
    train: DriveTrain, stored: Stored, given: Fraction, parts: Sequence[Alternative]
) -> list[Alternative]:
    """Return what else may be the case: the card as it stands, a misread number, inches.

    `given` is the scale that the card's stored number gives with its parts.
    """
    return [
        *_card_itself(train, stored, given),
        *_misread_numbers(train, stored, parts),
        *(_inch_units() if train.unit == "mm" else ()),
    ]
