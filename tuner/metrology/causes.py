"""What can be wrong with a scale, and how probable each cause is after the readings.

Prior over real parts x likelihood. Every hypothesis is the card with one or two things
different, and predicts a scale: the steps that the card's stored number sends x the true mm per
step of the parts. Beside them stands a continuous "no listed cause".

The rules: hypotheses that predict exactly the same scale are one class, found with exact
fractions, because no reading can tell them apart. Nothing depends on the order in which
hypotheses are listed. Weights are common practice and have no source.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

import numpy as np
import numpy.typing as npt

from tuner.drive.parts import Belt, DriveTrain, GearPair, Rack, Screw
from tuner.drive.scale import Stored, all_forms, form_words, plain_number, scaled, steps_per_mm
from tuner.drive.tables import (
    BELT_PITCHES_MM,
    MICROSTEPS,
    PULLEY_TEETH,
    SCREW_LEADS_MM,
    STEP_ANGLES_DEG,
)
from tuner.metrology.budget import Scale
from tuner.text import shown

Floats = npt.NDArray[np.float64]
Side = Literal["motor", "output", "number", "several"]
Looked = Literal["confirmed", "denied"]
Changes = Mapping[str, Fraction | int | None]

# Real parts give their nominal travel to within this, one standard deviation (an assumption,
# no source).
PARTS_U_RELATIVE = 0.0004

# How often each kind of thing is not what the card says.
_AS_DESCRIBED = 0.60
_OUTPUT_PART = 0.10  # pulley, screw or pinion taken for another
_BELT_PITCH = 0.07
_GEAR_TEETH = 0.05
_STEP_ANGLE = 0.02
_MICROSTEPS = 0.04
_INCH_UNITS = 0.01
# The card's copy of the stored number is wrong: rare, and seen as soon as anybody changes it.
_STORED_MISREAD = 0.006
# The stored number contradicts the parts: then it may be the number that is right.
_NUMBER_RIGHT = 0.20

# The continuous alternative: wear, stretch and mismeasuring within about a percent, or
# anything at all within about a factor of two.
_NOT_LISTED = 0.04
_SMALL_DEVIATION = 0.01
_ANY_DEVIATION = 0.8

# How often a person sees a suspected part where there is none (common practice, no source).
_SEEN_WRONGLY = 0.05

# A lead is one known screw when so much of its weight in the table is that screw's.
_ONE_SCREW = 0.95

# Below this a hypothesis cannot change any printed digit, and needs no exact arithmetic.
_NEGLIGIBLE = 1e-9

_MM_PER_INCH = Fraction("25.4")  # exact by definition (NIST SP 811)
# Looks are work too: nothing is touched before this.
OFF = "power off and unplugged: "


@dataclass(frozen=True)
class _Alternative:
    """One thing that may differ from the card. `ratio` is what it does to the scale.

    `open_keys` are those of `changes` whose value the scale does not settle.
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

    @property
    def look(self) -> str:
        return f"{self.name}={self.suspect}"


@dataclass(frozen=True)
class Cause:
    """One hypothesis with its probability, in words and as changes to the card.

    `name` is the leading part of it, `also` names what is different besides. `changes` are
    keys of the axis on the card, None where the scale leaves the value open. `predicted` is
    the exact scale it gives. `train` is the machine as it is if this is true. `looks` are the
    keys under which a person's look at each part is recorded, such as ``pulley-teeth=16``.
    """

    name: str
    p: float
    says: str
    check: str
    side: Side
    changes: Changes
    predicted: Fraction
    train: DriveTrain
    looks: tuple[str, ...]
    also: tuple[str, ...] = ()


@dataclass(frozen=True)
class CauseClass:
    """All causes that predict exactly the same scale, the most probable first."""

    predicted: Fraction
    p: float
    causes: tuple[Cause, ...]


@dataclass(frozen=True)
class Weighed:
    """Causes and classes, the most probable first; `p_not_listed` for none of them.

    `u_relative` is the standard uncertainty that was used: readings, caliper and parts.
    """

    causes: tuple[Cause, ...]
    classes: tuple[CauseClass, ...]
    p_not_listed: float
    u_relative: float


# --- what may differ --------------------------------------------------------------------


def _changed(train: DriveTrain, changes: Mapping[str, Fraction | int]) -> DriveTrain:
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


def _belt_parts(belt: Belt) -> Iterator[_Alternative]:
    for teeth, weight in _teeth(belt.pulley_teeth).items():
        yield _Alternative(
            name="pulley-teeth",
            suspect=str(teeth),
            says=f"{teeth} teeth, the card says {belt.pulley_teeth}",
            check=OFF + "count the teeth of the pulley on the motor shaft",
            side="output",
            changes={"drive.pulley_teeth": int(teeth)},
            ratio=teeth / belt.pulley_teeth,
            weight=weight,
        )
    others = {one: weight for one, weight in BELT_PITCHES_MM.items() if one != belt.pitch_mm}
    for pitch, weight in _shared(_BELT_PITCH, others).items():
        yield _Alternative(
            name="belt-pitch",
            suspect=plain_number(pitch),
            says=f"{plain_number(pitch)} mm pitch, the card says {plain_number(belt.pitch_mm)}",
            check=OFF + f"measure 50 teeth of the belt: {plain_number(50 * pitch)} mm at "
            f"{plain_number(pitch)} mm pitch, {plain_number(50 * belt.pitch_mm)} mm by the card",
            side="output",
            changes={"drive.pitch_mm": pitch},
            ratio=pitch / belt.pitch_mm,
            weight=weight,
        )


def _screw_parts(screw: Screw) -> Iterator[_Alternative]:
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
        yield _Alternative(
            name="screw-lead",
            suspect=plain_number(lead),
            says=f"a lead of {plain_number(lead)} mm, the card says {plain_number(lead_now)}",
            check=OFF
            + "turn the screw ten turns by hand, slowly, and measure how far the nut goes: "
            f"{plain_number(10 * lead)} mm at a lead of {plain_number(lead)} mm, "
            f"{plain_number(10 * lead_now)} mm by the card",
            side="output",
            changes={"drive.pitch_mm": usual.pitch_mm, "drive.starts": usual.starts},
            open_keys=() if settled else ("drive.pitch_mm", "drive.starts"),
            ratio=lead / lead_now,
            weight=weight,
        )


def _rack_parts(rack: Rack) -> Iterator[_Alternative]:
    # No table of pinions: small ones are as common as pulleys of the same size.
    for teeth, weight in _teeth(rack.pinion_teeth).items():
        yield _Alternative(
            name="pinion-teeth",
            suspect=str(teeth),
            says=f"{teeth} pinion teeth, the card says {rack.pinion_teeth}",
            check=OFF + "count the teeth of the pinion",
            side="output",
            changes={"drive.pinion_teeth": int(teeth)},
            ratio=teeth / rack.pinion_teeth,
            weight=weight,
        )


def _gear_parts(place: int, pair: GearPair) -> Iterator[_Alternative]:
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
        yield _Alternative(
            name="gear-teeth",
            suspect=f"{place + 1}:{driver}:{driven}",
            says=f"{driver} teeth drive {driven} in gear pair {place + 1}, the card says "
            f"{pair.driver} drive {pair.driven}",
            check=OFF + f"count the teeth of both wheels of gear pair {place + 1}, counted "
            "from the motor",
            side="output",
            changes={f"gears.{place}.{k}": v for k, v in keys.items() if v != now[k]},
            ratio=Fraction(driver, driven) / pair.ratio,
            weight=_GEAR_TEETH * weight / whole,
        )


def _motor_parts(train: DriveTrain) -> Iterator[_Alternative]:
    motor = train.motor
    angles = {one: w for one, w in STEP_ANGLES_DEG.items() if one != motor.step_angle_deg}
    for angle, weight in _shared(_STEP_ANGLE, angles).items():
        yield _Alternative(
            name="step-angle",
            suspect=plain_number(angle),
            says=f"a motor of {plain_number(angle)} degrees per step, the card says "
            f"{plain_number(motor.step_angle_deg)}",
            check=OFF + "read the step angle on the motor's label",
            side="motor",
            changes={"motor.step_angle_deg": angle},
            ratio=angle / motor.step_angle_deg,
            weight=weight,
        )
    divisions = {Fraction(one): w for one, w in MICROSTEPS.items() if one != motor.microsteps}
    for microsteps, weight in _shared(_MICROSTEPS, divisions).items():
        yield _Alternative(
            name="microsteps",
            suspect=str(microsteps),
            says=f"{microsteps} microsteps, the card says {motor.microsteps}",
            check=OFF + "look at the microstep jumpers or switches of the motor driver",
            side="motor",
            changes={"motor.microsteps": int(microsteps)},
            ratio=motor.microsteps / microsteps,
            weight=weight,
        )


def _other_parts(train: DriveTrain) -> list[_Alternative]:
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
    train: DriveTrain, stored: Stored, parts: Sequence[_Alternative]
) -> Iterator[_Alternative]:
    """The controller holds another number than the card says.

    It is the number of a machine like this one with another pulley, belt, screw or wheel.
    """
    right = all_forms(train.steps_per_mm, train)[stored.form]
    weights: dict[Fraction, float] = defaultdict(float)
    for part in parts:
        if part.side == "output" and part.ratio != 1:
            weights[1 / part.ratio] += part.weight
    for ratio, weight in _shared(_STORED_MISREAD, weights).items():
        holds = plain_number(scaled(stored, 1 / ratio).value)
        yield _Alternative(
            name="stored-number",
            suspect=holds,
            says=f"the controller holds {holds} {form_words(stored.form)}, the card says "
            f"{plain_number(stored.value)}",
            check="read the stored number again from the controller, to its last digit",
            side="number",
            changes={f"stored.{stored.form}": right},
            ratio=ratio,
            weight=weight,
        )


def _inch_units() -> Iterator[_Alternative]:
    yield _Alternative(
        name="inch-units",
        suspect="controller",
        says="the controller takes lengths as inches",
        check="read which units the controller is set to; nothing may move until they are mm",
        side="number",
        changes={},
        ratio=_MM_PER_INCH,
        weight=_INCH_UNITS / 2,
    )
    yield _Alternative(
        name="inch-units",
        suspect="caliper",
        says="the caliper showed inches",
        check="look whether the caliper's display says mm",
        side="number",
        changes={},
        ratio=1 / _MM_PER_INCH,
        weight=_INCH_UNITS / 2,
    )


def _card_itself(train: DriveTrain, stored: Stored, given: Fraction) -> list[_Alternative]:
    """The card as it stands; where it contradicts itself, number and parts in turn.

    `given` is the scale that its stored number gives with its parts.
    """
    if given == 1:
        return [
            _Alternative(
                name="as-described",
                suspect="card",
                says="the machine is what the card says",
                check="nothing to look at",
                side="output",
                changes={},
                ratio=Fraction(1),
                weight=_AS_DESCRIBED,
            )
        ]
    number = all_forms(train.steps_per_mm, train)[stored.form]
    words = form_words(stored.form)
    return [
        _Alternative(
            name="stored-number",
            suspect="parts",
            says=f"the parts give {plain_number(number)} {words}, the controller holds "
            f"{plain_number(stored.value)}",
            check="read the stored number again from the controller, to its last digit",
            side="number",
            changes={f"stored.{stored.form}": number},
            ratio=Fraction(1),
            weight=_AS_DESCRIBED - _NUMBER_RIGHT,
        ),
        _Alternative(
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


# --- weighing ---------------------------------------------------------------------------


def _t_density(z: Floats, dof: float) -> Floats:
    """Student's density at `z` : (n,) float."""
    log_peak = math.lgamma((dof + 1) / 2) - math.lgamma(dof / 2) - 0.5 * math.log(dof * math.pi)
    return np.asarray(np.exp(log_peak - (dof + 1) / 2 * np.log1p(z * z / dof)))


def _not_listed_density(off: float, u: float, dof: float) -> float:
    """Density of the log ratio `off` from the card under "no listed cause", u included.

    Averages the prior over Student's distribution of the measured value. The substitution
    z = sinh(w) puts the points of the sum where both tails and the middle need them.
    """
    w = np.linspace(-12.0, 12.0, 4001)
    z = np.sinh(w)
    share = _t_density(z, dof) * np.cosh(w)
    true = np.abs(off - u * z)
    prior = 0.5 * np.exp(-true / _SMALL_DEVIATION) / (2 * _SMALL_DEVIATION) + 0.5 * np.exp(
        -0.5 * (true / _ANY_DEVIATION) ** 2
    ) / (_ANY_DEVIATION * math.sqrt(2 * math.pi))
    return float(np.sum(prior * share) / np.sum(share))


def _pairs(parts: Sequence[_Alternative]) -> tuple[npt.NDArray[np.intp], ...]:
    """Indices of every two parts of different kinds, each pair once."""
    kinds = sorted({one.name for one in parts})
    kind = np.array([kinds.index(one.name) for one in parts])
    first, second = np.triu_indices(len(parts), k=1)
    wanted = kind[first] != kind[second]
    return first[wanted], second[wanted]


def _as_cause(
    members: Sequence[_Alternative], p: float, given: Fraction, train: DriveTrain
) -> Cause:
    # The likelier mistake leads; names break a tie, never the order of a table.
    ordered = sorted(members, key=lambda one: (-one.weight, one.name, one.suspect))
    sides = {one.side for one in ordered}
    changes = {key: value for one in ordered for key, value in one.changes.items()}
    still_open = {key for one in ordered for key in one.open_keys}
    return Cause(
        name=ordered[0].name,
        p=p,
        says="; and ".join(one.says for one in ordered),
        check="; then ".join(one.check for one in ordered),
        side=ordered[0].side if len(sides) == 1 else "several",
        changes={key: None if key in still_open else v for key, v in changes.items()},
        predicted=given * math.prod((one.ratio for one in ordered), start=Fraction(1)),
        train=_changed(train, changes),
        looks=tuple(one.look for one in ordered),
        also=tuple(one.name for one in ordered[1:]),
    )


_Member = tuple[tuple[_Alternative, ...], float]


def _looked(members: Sequence[_Member], looks: Mapping[str, Looked]) -> list[_Member]:
    """Return the members that agree with what a person saw.

    A bare cause name means its leading suspect: the one in the densest of all hypotheses.
    """
    leading: dict[str, tuple[float, str]] = {}
    for ones, density in members:
        for one in ones:
            leading[one.name] = max(leading.get(one.name, (0.0, "")), (density, one.look))
    seen = {leading[key][1] if key in leading else key: look for key, look in looks.items()}
    confirmed = {key for key, look in seen.items() if look == "confirmed"}
    denied = {key for key, look in seen.items() if look == "denied"}
    left = []
    for ones, density in members:
        suspects = {one.look for one in ones}
        if confirmed <= suspects and not denied & suspects:
            left.append((ones, density))
    return left


def weigh(
    scale: Scale,
    train: DriveTrain,
    stored: Stored,
    looks: Mapping[str, Looked] | None = None,
) -> Weighed:
    """Return how probable each cause is, given the measured `scale` (greater than zero).

    `looks` records what a person found on looking: ``{"pulley-teeth=16": "confirmed"}``, or
    with the bare name for the leading suspect of that name. A confirmed suspect stays in every
    remaining hypothesis, a denied one in none; seeing a suspect also counts against "no
    listed cause". Raises ``ValueError`` for a scale that is not
    positive, and for a look at something that is no suspect here.
    """
    if not scale.value > 0.0:
        raise ValueError(f"a scale of {scale.value:g} has no ratio to compare; expected above 0")
    given = steps_per_mm(stored, train) * train.mm_per_step
    parts = _other_parts(train)
    singles = [
        *parts,  # first, so that the indices of a pair are indices here
        *_card_itself(train, stored, given),
        *_misread_numbers(train, stored, parts),
        *_inch_units(),
    ]
    weight = np.array([one.weight for one in singles])
    log_ratio = np.array([math.log(one.ratio) for one in singles])
    first, second = _pairs(parts)
    weights = np.concatenate([weight, weight[first] * weight[second] / _AS_DESCRIBED])
    log_ratios = np.concatenate([log_ratio, log_ratio[first] + log_ratio[second]])
    weights *= (1.0 - _NOT_LISTED) / math.fsum(weights)

    u = math.hypot(scale.u_relative, PARTS_U_RELATIVE)
    # The parts' share has no shortage of degrees of freedom (JCGM 100 G.4.1).
    dof = min(scale.dof * (u / scale.u_relative) ** 4, 1e6)
    off = math.log(scale.value) - math.log(given)
    densities = weights * _t_density((off - log_ratios) / u, dof) / u
    not_listed = _NOT_LISTED * _not_listed_density(off, u, dof)

    total = math.fsum(densities) + not_listed
    kept = np.flatnonzero(densities > _NEGLIGIBLE * total)
    members: list[_Member] = []
    for index in kept.tolist():
        if index < len(singles):
            ones: tuple[_Alternative, ...] = (singles[index],)
        else:
            pair = index - len(singles)
            ones = (singles[first[pair]], singles[second[pair]])
        members.append((ones, float(densities[index])))

    if looks:
        known = {one.look for one in singles} | {one.name for one in singles}
        if unknown := sorted(set(looks) - known):
            raise ValueError(
                f"a look at {', '.join(map(shown, unknown))} is recorded, which is no suspect "
                "here; expected a cause of this machine, such as those that were named"
            )
        members = _looked(members, looks)
        not_listed *= _SEEN_WRONGLY ** sum(look == "confirmed" for look in looks.values())
        total = math.fsum(density for _, density in members) + not_listed

    causes = sorted(
        (_as_cause(ones, density / total, given, train) for ones, density in members),
        key=lambda one: (-one.p, one.looks),
    )
    by_scale: dict[Fraction, list[Cause]] = defaultdict(list)
    for cause in causes:
        by_scale[cause.predicted].append(cause)
    classes = sorted(
        (
            CauseClass(predicted, math.fsum(one.p for one in ones), tuple(ones))
            for predicted, ones in by_scale.items()
        ),
        key=lambda one: (-one.p, one.predicted),
    )
    return Weighed(tuple(causes), tuple(classes), not_listed / total, u)
