"""Asking for one axis of a machine card: its drive, gears and motor, and where it may stand.

The rules it keeps: every question says how to find the answer at the machine; after each part
the travel that follows from it is worked out in words; a part that is not known is taken as
its commonest kind, and noted as such.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, TypeVar

from tuner.card.write import decimal_text
from tuner.drive import designation
from tuner.drive.designation import Explained
from tuner.drive.numbers import plain_number
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
from tuner.drive.tables import (
    BELT_PITCHES_MM,
    MICROSTEPS,
    MODULES_MM,
    PULLEY_TEETH,
    SCREW_LEADS_MM,
    STEP_ANGLES_DEG,
)
from tuner.messages import Choose, Say
from tuner.plans.asking import (
    DEGREES_C,
    UNKNOWN,
    Read,
    Size,
    angle,
    designated,
    gear_pair,
    interval,
    length,
    microsteps,
    none_or,
    number,
    or_unknown,
    pitch,
    typed,
    whole,
)
from tuner.plans.run import Part, hear

__all__ = [
    "FEEDER",
    "LARGEST_MM",
    "SMALLEST_MM",
    "STRAIGHT",
    "TURNING",
    "AxisParts",
    "Setup",
    "describe",
    "working",
]

V = TypeVar("V")

STRAIGHT = ("x", "y", "z", "u", "v", "w")
TURNING = ("a", "b", "c")
FEEDER = "e"
SMALLEST_MM, LARGEST_MM = Fraction("0.01"), Fraction(1000)

_KINDS = ("belt", "screw", "rack", "measured")
_MOST_GEAR_PAIRS = 10
_FURTHEST = {"mm": 10_000, "deg": 36_000}
# A caliper over ten pitches is off by less, and most neighbours in a standard are further.
_NEAR = Fraction("0.025")
# How well the flanks of teeth or threads are met by a caliper, and by how much another size has
# to be further off for the nearest to be clear (common practice, no source).
_FLANK_MM = Fraction("0.3")
_CLEARLY = 3
_MEASURE_AGAIN = "measure-again"
# More thread starts than screws of such machines have (common practice, no source).
_MOST_STARTS = 6
# What one turn moves on machines of this kind, in mm (common practice, no source).
_USUAL_TRAVEL_MM: Mapping[str, tuple[Fraction, Fraction]] = {
    Belt.kind: (Fraction(6), Fraction(250)),
    Screw.kind: (Fraction("0.2"), Fraction(50)),
    Rack.kind: (Fraction(9), Fraction(1000)),
    Feeder.kind: (Fraction(10), Fraction(100)),
    Measured.kind: (Fraction("0.1"), Fraction(500)),
}
# The key of what a note says is not known.
_KEY_OF = {
    "pitch of the belt": "pitch_mm",
    "teeth of the pulley": "pulley_teeth",
    "pitch of the screw": "pitch_mm",
    "thread starts of the screw": "starts",
    "module of the rack": "module_mm",
    "teeth of the pinion": "pinion_teeth",
    "whether there are gears": "gears",
    "step angle of the motor": "step_angle_deg",
    "microsteps of the driver": "microsteps",
    "diameter of the wheel": "diameter_mm",
}
# A hot feed is heated to no less, see the plan of the feeder.
_COLDEST_FEED_C = 150
# Travel does not depend on the motor, so any will do until it has been asked for.
_ANY_MOTOR = Motor(Fraction("1.8"), 16)


@dataclass
class AxisParts:
    """One axis while it is being described.

    A feeder's `drive` stays None when its wheel is not known; the stored number gives it later.
    `unknown` says what is only taken for granted, `place` holds further keys of the card.
    """

    name: str
    drive: Drive | None = None
    gears: tuple[GearPair, ...] = ()
    motor: Motor = _ANY_MOTOR
    unknown: list[str] = field(default_factory=list)
    place: dict[str, Any] = field(default_factory=dict)

    @property
    def letter(self) -> str:
        """The axis letter as people and controllers write it."""
        return self.name.upper()

    @property
    def unit(self) -> str:
        """``mm``, or ``deg`` for an axis that turns."""
        return self.drive.unit if self.drive is not None else "mm"

    @property
    def train(self) -> DriveTrain | None:
        """The parts put together; None while the wheel of a feeder is not known."""
        return None if self.drive is None else DriveTrain(self.drive, self.motor, self.gears)

    def take_commonest(self, what: str, taken: str) -> None:
        """Note that `what` is not known and `taken` stands in its place."""
        self.unknown.append(f"{what}; {taken} is the commonest. A session at the machine finds out")


@dataclass
class Setup:
    """What Enter means: values of the card that the setup starts from, and of the axis before."""

    start: Mapping[str, Any]
    step_angle: str = ""
    microsteps: str = ""

    def known(self, *path: str) -> Any:
        """Return the value at `path` in the earlier card, or None."""
        value: Any = self.start
        for key in path:
            value = value.get(key) if isinstance(value, Mapping) else None
        return value

    def default(self, *path: str, otherwise: str = "") -> str:
        """Return the value at `path` in the earlier card as typed, or `otherwise`.

        What was only taken for granted there stays unknown.
        """
        if self.was_granted(*path):
            return UNKNOWN
        value = self.known(*path)
        if value is None:
            return otherwise
        return decimal_text(value) if isinstance(value, Fraction) else str(value)

    def was_granted(self, *path: str) -> bool:
        """Return whether the earlier card says that the part at `path` is not known."""
        match path:
            case ("axes", axis, *_, key):
                granted = self.known("granted", axis) or ()
                return any(_KEY_OF.get(what) == key for what in granted)
        return False

    def drive_default(self, axis: AxisParts, key: str, kind: str, absent: str = "") -> str:
        """Return what the drive of the earlier card has under `key`, if it is of that kind.

        `absent` is what a drive of that kind means that does not say.
        """
        same = self.known("axes", axis.name, "drive", "kind") == kind
        return self.default("axes", axis.name, "drive", key, otherwise=absent) if same else ""


def describe(setup: Setup, axis: AxisParts, before: Sequence[AxisParts]) -> Part[None]:
    """Ask for everything about `axis` but its stored number; `before` are the earlier axes."""
    like = yield from _same_as(setup, axis, before)
    if like is not None:
        axis.drive, axis.gears, axis.motor = like.drive, like.gears, like.motor
        axis.unknown = list(like.unknown)
    else:
        axis.drive = yield from _believable(setup, axis)
        yield from _gears(setup, axis)
        axis.motor = yield from _motor(setup, axis)
    if axis.train is not None:
        yield working(axis, "steps", *axis.train.step_sums())
    if axis.name == FEEDER:
        yield from _filament(setup, axis)
    else:
        yield from _range(setup, axis)


def working(axis: AxisParts, key: str, *sums: str) -> Say:
    """Return the running result of `axis`, the sums that a person can follow."""
    taken = ", taking the commonest for what is not known" if axis.unknown else ""
    return Say(key=f"{axis.name}.{key}", says=f"{axis.letter}: {'; '.join(sums)}{taken}")


def _same_as(setup: Setup, axis: AxisParts, before: Sequence[AxisParts]) -> Part[AxisParts | None]:
    """Ask whether an earlier straight axis has the same parts; the result is that axis."""
    different: dict[tuple[object, ...], AxisParts] = {}
    for one in before:
        if one.name in STRAIGHT:
            different.setdefault((one.drive, one.gears, one.motor), one)
    if axis.name not in STRAIGHT or not different:
        return None
    offered = {one.name: one for one in different.values()}
    like: str = yield from hear(
        Choose(
            key=f"{axis.name}.same-as",
            options=("no", *offered),
            default="no" if setup.known("axes", axis.name) else "",
            says=(
                f"Has {axis.letter} the same parts as an axis before: drive, gears, motor and "
                "driver setting? Name it, or no."
            ),
            also=(*((said, one) for one in offered for said in (f"{one} axis", f"axis {one}")),),
        )
    )
    return offered.get(like)


# --- drives -------------------------------------------------------------------------------


def _believable(setup: Setup, axis: AxisParts) -> Part[Drive | None]:
    """Ask for the drive, anew where one turn would move more or less than such parts do."""
    taken = len(axis.unknown)
    while True:
        drive = yield from _drive(setup, axis)
        if drive is None or isinstance(drive, Rotary):
            return drive
        low, high = _USUAL_TRAVEL_MM[drive.kind]
        travel_mm = drive.travel_per_rev_mm
        if low <= travel_mm <= high:
            return drive
        is_so = yield from _is_so(
            f"{axis.name}.unusual",
            f"{plain_number(travel_mm)} mm in one turn is unusual: a {drive.kind} drive "
            f"moves {plain_number(low)} to {plain_number(high)} mm. "
            "Is that so? no asks for its parts anew.",
        )
        if is_so:
            return drive
        del axis.unknown[taken:]


def _is_so(key: str, says: str, default: str = "") -> Part[bool]:
    """Ask whether what was answered and is odd is really so."""
    answer = yield from hear(Choose(key=key, options=("yes", "no"), default=default, says=says))
    return bool(answer == "yes")


def _drive(setup: Setup, axis: AxisParts) -> Part[Drive | None]:
    if axis.name == FEEDER:
        return (yield from _wheel(setup, axis))
    turns = axis.name in TURNING
    kind = yield from hear(
        Choose(
            key=f"{axis.name}.kind",
            options=("rotary", *_KINDS) if turns else _KINDS,
            default=setup.default("axes", axis.name, "drive", "kind"),
            says=(
                f"What moves {axis.letter}? belt: toothed belt on a pulley; screw: threaded shaft "
                "in a nut; rack: small gear wheel on a toothed bar; measured: all else, if you "
                f"know the travel of one turn{'; rotary: a turning table' if turns else ''}."
            ),
        )
    )
    drive: Drive
    match kind:
        case "belt":
            drive = yield from _belt(setup, axis)
        case "screw":
            drive = yield from _screw(setup, axis)
        case "rack":
            drive = yield from _rack(setup, axis)
        case "rotary":
            drive = Rotary()
        case _:
            drive = yield from _measured(setup, axis)
    yield working(axis, "drive", f"{drive.working()} per revolution")
    return drive


def _belt(setup: Setup, axis: AxisParts) -> Part[Belt]:
    pitch_mm = yield from _size(
        axis,
        "pitch_mm",
        "pitch of the belt",
        "The pitch of the belt, tooth to tooth. Lay the caliper over ten pitches, from a flank of "
        "one tooth to the same flank of the eleventh, and type it like 20.0/10; or type what is "
        "printed on it, such as XL. (Or: unknown)",
        BELT_PITCHES_MM,
        designation.belt_pitch,
        default=setup.drive_default(axis, "pitch_mm", Belt.kind),
    )
    teeth = yield from _teeth(
        axis,
        "pulley_teeth",
        "teeth of the pulley",
        "The teeth of the pulley that drives the belt: mark one with a pen, count once round. "
        "(Or: unknown)",
        default=setup.drive_default(axis, "pulley_teeth", Belt.kind),
    )
    return Belt(pitch_mm, teeth)


def _screw(setup: Setup, axis: AxisParts) -> Part[Screw]:
    commonest = max(SCREW_LEADS_MM, key=SCREW_LEADS_MM.__getitem__)
    pitch_mm = yield from _size(
        axis,
        "pitch_mm",
        "pitch of the screw",
        "The pitch of the screw, crest to crest. Lay the caliper over ten pitches and type it like "
        "20.0/10; or type its designation, such as Tr8x8(P2) or M8. (Or: unknown)",
        {one.pitch_mm: float(one.pitch_mm == commonest.pitch_mm) for one in SCREW_LEADS_MM},
        designation.screw,
        default=setup.drive_default(axis, "pitch_mm", Screw.kind),
    )
    if isinstance(pitch_mm, Screw):
        return pitch_mm
    lead = yield from _rather_a_lead(setup, axis, pitch_mm)
    starts = yield from _starts(setup, axis)
    if lead is not None:
        if starts is None:
            starts = lead.starts
            axis.take_commonest("thread starts of the screw", str(starts))
        return Screw(lead.travel_per_rev_mm / starts, starts)
    if starts is None:
        weights = {s.starts: w for s, w in SCREW_LEADS_MM.items() if s.pitch_mm == pitch_mm}
        starts = max(weights, key=weights.__getitem__, default=1)
        axis.take_commonest("thread starts of the screw", str(starts))
    return Screw(pitch_mm, starts)


def _starts(setup: Setup, axis: AxisParts) -> Part[int | None]:
    """Ask for the thread starts of a screw, anew where hardly any screw has so many."""
    known = setup.drive_default(axis, "starts", Screw.kind, absent="1")
    while True:
        starts = yield from typed(
            f"{axis.name}.starts",
            "The thread starts of the screw: look at its end face and count the grooves that begin "
            "there, often 1, 2 or 4. (Or: unknown)",
            or_unknown(whole(1, 20, "starts", "start")),
            wanted="number or unknown",
            default=known,
        )
        if starts is None or starts <= _MOST_STARTS:
            return starts
        is_so = yield from _is_so(
            f"{axis.name}.many-starts",
            f"{starts} thread starts are unusual: a screw has 1 to {_MOST_STARTS}. Is that so? no "
            "asks for them anew.",
            default="yes" if known == str(starts) else "",
        )
        if is_so:
            return starts


def _rather_a_lead(setup: Setup, axis: AxisParts, size_mm: Fraction) -> Part[Screw | None]:
    """Ask whether `size_mm`, given for a pitch, is a lead where that is commoner.

    The result is the commonest screw with that lead, None where it is a pitch after all.
    """
    weight = max((w for one, w in SCREW_LEADS_MM.items() if one.pitch_mm == size_mm), default=0.0)
    usual = max(
        (one for one in SCREW_LEADS_MM if one.starts > 1 and one.travel_per_rev_mm == size_mm),
        key=SCREW_LEADS_MM.__getitem__,
        default=None,
    )
    if usual is None or SCREW_LEADS_MM[usual] <= weight:
        return None
    known = setup.drive_default(axis, "pitch_mm", Screw.kind) == decimal_text(size_mm)
    which = yield from hear(
        Choose(
            key=f"{axis.name}.lead",
            options=("lead", "pitch"),
            default="pitch" if known else "",
            says=(
                f"{plain_number(size_mm)} mm is usually the lead, the travel of one turn, of a "
                f"screw with {usual.starts} starts; its pitch, crest to crest, is then "
                f"{plain_number(usual.pitch_mm)} mm. Which is it?"
            ),
        )
    )
    return usual if which == "lead" else None


def _rack(setup: Setup, axis: AxisParts) -> Part[Rack]:
    module_mm = yield from _size(
        axis,
        "module_mm",
        "module of the rack",
        "The module of the rack, if you know it. Else lay the caliper over ten pitches, from a "
        "flank of one tooth to the same flank of the eleventh, and type it like 31.4/10. (Or: "
        "unknown)",
        MODULES_MM,
        designation.rack_module,
        default=setup.drive_default(axis, "module_mm", Rack.kind),
        over=PI,
    )
    teeth = yield from _teeth(
        axis,
        "pinion_teeth",
        "teeth of the pinion",
        "The teeth of the pinion, the wheel on the rack: mark one with a pen, count once round. "
        "(Or: unknown)",
        default=setup.drive_default(axis, "pinion_teeth", Rack.kind),
    )
    return Rack(module_mm, teeth)


def _measured(setup: Setup, axis: AxisParts) -> Part[Measured]:
    travel_mm = yield from typed(
        f"{axis.name}.travel_per_rev_mm",
        f"How many mm does {axis.letter} travel for one turn of the shaft behind all gears?",
        length(SMALLEST_MM, LARGEST_MM),
        wanted="length in mm",
        default=setup.drive_default(axis, "travel_per_rev_mm", Measured.kind),
    )
    return Measured(travel_mm)


def _wheel(setup: Setup, axis: AxisParts) -> Part[Feeder | None]:
    diameter_mm = yield from typed(
        f"{axis.name}.diameter_mm",
        "The diameter of the wheel that drives the filament: over the teeth, less what they bite "
        "in on both sides. (Or: unknown)",
        or_unknown(length(SMALLEST_MM, LARGEST_MM)),
        wanted="mm or unknown",
        default=setup.drive_default(axis, "diameter_mm", Feeder.kind),
    )
    if diameter_mm is None:
        return None
    wheel = Feeder(diameter_mm)
    yield working(axis, "drive", f"{wheel.working()} per revolution")
    return wheel


def _teeth(axis: AxisParts, key: str, what: str, says: str, *, default: str) -> Part[int]:
    teeth = yield from typed(
        f"{axis.name}.{key}",
        says,
        or_unknown(whole(6, 500, "teeth")),
        wanted="number or unknown",
        default=default,
    )
    if teeth is None:
        # No table of pinions: small ones are as common as pulleys of the same size.
        teeth = max(PULLEY_TEETH, key=PULLEY_TEETH.__getitem__)
        axis.take_commonest(what, str(teeth))
    return teeth


def _size(
    axis: AxisParts,
    key: str,
    what: str,
    says: str,
    standard: Mapping[Fraction, float],
    find: Callable[[str], Explained[V]],
    *,
    default: str,
    over: Fraction = Fraction(1),
) -> Part[Fraction | V]:
    """Ask for a size that comes in `standard` steps, or for a designation that `find` knows.

    What was measured is divided by `over`. Near a standard size the person is asked whether it
    is that one: a caliper reads it a little off, and the travel needs it exactly.
    """
    read = pitch(SMALLEST_MM, LARGEST_MM, over)
    size = yield from typed(
        f"{axis.name}.{key}",
        says,
        or_unknown(designated(read, find)),
        wanted="mm or unknown",
        default=default,
    )
    if size is None:
        commonest = max(standard, key=standard.__getitem__)
        axis.take_commonest(what, f"{plain_number(commonest)} mm")
        return commonest
    if isinstance(size, Explained):
        yield Say(key=f"{axis.name}.{key}.means", says=f"{size.means} ({size.source})")
        designated_size: V = size.value
        return designated_size
    while size.mm not in standard and (near := _nearest(standard, size.mm)):
        if not _is_clear(size, near, over):
            listed = " and ".join(f"{plain_number(one)} mm" for one in sorted(near))
            named = [*_numbered_as_named(near), plain_number(size.mm), _MEASURE_AGAIN]
            chosen = yield from hear(
                Choose(
                    key=f"{axis.name}.{key}.standard",
                    options=tuple(named),
                    says=(
                        f"{plain_number(size.mm)} mm is no standard size and lies near {listed}. "
                        f"Which is it exactly? {_MEASURE_AGAIN} if you do not know: over fifty "
                        "they differ by more than a millimetre, type that like 100.1/50."
                    ),
                )
            )
            if chosen == _MEASURE_AGAIN:
                return (
                    yield from _size(axis, key, what, says, standard, find, default="", over=over)
                )
            return next((one for one in near if plain_number(one) == chosen), size.mm)
        exact: Size = yield from typed(
            f"{axis.name}.{key}.standard",
            f"{plain_number(size.mm)} mm is no standard size; the nearest is "
            f"{plain_number(near[0])} mm, which Enter takes. Or type it exactly, if it is another.",
            _about(size.mm, read),
            wanted="mm",
            default=decimal_text(near[0]),
        )
        if not exact.over:
            return exact.mm
        size = exact
    return size.mm


def _nearest(standard: Mapping[Fraction, float], mm: Fraction) -> list[Fraction]:
    """Return the standard sizes that `mm` may be, the nearest first."""
    near = (one for one in standard if abs(one - mm) <= _NEAR * one)
    return sorted(near, key=lambda one: abs(one - mm))


def _is_clear(size: Size, near: Sequence[Fraction], over: Fraction) -> bool:
    """Return whether the nearest size of `near` is clear from how `size` was measured."""
    if len(near) == 1:
        return True
    first_mm, second_mm = (abs(one - size.mm) * max(size.over, 1) * over for one in near[:2])
    return second_mm >= _FLANK_MM and second_mm >= _CLEARLY * first_mm


def _numbered_as_named(sizes: Sequence[Fraction]) -> list[str]:
    """Return `sizes` as the names of options, with 2 as the second: there 2 means the same."""
    names = [plain_number(one) for one in sorted(sizes)]
    for name in names:
        if name.isdigit() and int(name) <= len(names):
            names.remove(name)
            names.insert(int(name) - 1, name)
            break
    return names


def _about(mm: Fraction, read: Read[Size]) -> Read[Size]:
    """Return what `read` reads, if that is about `mm`."""

    def read_about(text: str) -> Size:
        size = read(text)
        if abs(size.mm - mm) > 2 * _NEAR * mm:
            raise ValueError(
                f"{plain_number(size.mm)} mm is far from the {plain_number(mm)} mm before; type "
                "the size that it has exactly, or back to give it anew"
            )
        return size

    return read_about


# --- gears and motor ----------------------------------------------------------------------


def _gears(setup: Setup, axis: AxisParts) -> Part[None]:
    known: Sequence[Mapping[str, int]] = setup.known("axes", axis.name, "gears") or ()
    before = str(len(known) or "none") if setup.known("axes", axis.name) else ""
    pairs = yield from typed(
        f"{axis.name}.gears",
        f"How many pairs of gears, or of belt pulleys, are between the motor of {axis.letter} and "
        f"{_output_of(axis)}? none if that sits on the motor's shaft. (Or: unknown)",
        or_unknown(none_or(whole(0, _MOST_GEAR_PAIRS))),
        wanted="number, none or unknown",
        default=UNKNOWN if setup.was_granted("axes", axis.name, "gears") else before,
    )
    if pairs is None:
        axis.take_commonest("whether there are gears", "none")
    for n in range(1, (pairs or 0) + 1):
        yield from _gear_pair(axis, n, known[n - 1] if n <= len(known) else {})


def _output_of(axis: AxisParts) -> str:
    match axis.drive:
        case Belt():
            return "the pulley of the belt"
        case Screw():
            return "the screw"
        case Rack():
            return "the pinion"
        case Rotary():
            return "the table"
        case Measured():
            return "the shaft that drives it"
    return "the wheel on the filament"


def _gear_pair(axis: AxisParts, n: int, known: Mapping[str, int]) -> Part[None]:
    a = axis.name
    driver = yield from typed(
        f"{a}.gears.{n}.driver",
        f"Pair {n} from the motor: the teeth on the motor's side, or both as 17:50. Mark one with "
        "a pen, count once round. (A closed gearbox of 5:1 is 1:5; one of 5.18:1 is 100:518.)",
        gear_pair(1, 1000),
        wanted="number, or both",
        default=str(known.get("driver", "")),
    )
    if isinstance(driver, tuple):
        driver, driven = driver
    else:
        driven = yield from typed(
            f"{a}.gears.{n}.driven",
            f"Pair {n}: the teeth of the wheel that it turns.",
            whole(1, 1000, "teeth"),
            wanted="number",
            default=str(known.get("driven", "")),
        )
    axis.gears = (*axis.gears, GearPair(driver, driven))
    if axis.train is not None:
        yield working(axis, f"gears.{n}.result", *axis.train.travel_sums()[1:])
    if driver > driven:
        yield Say(
            key=f"{a}.gears.{n}.speeds-up",
            says=f"{driver} teeth driving {driven} turn faster than the motor, which is rare; back "
            "corrects it",
        )


def _motor(setup: Setup, axis: AxisParts) -> Part[Motor]:
    a = axis.name
    step_angle = yield from typed(
        f"{a}.angle",
        f"The step angle on the label of {axis.letter}'s motor: 1.8 or 0.9 degrees, or 200 or 400 "
        "steps. (Or: unknown)",
        or_unknown(angle),
        wanted="angle, steps or unknown",
        default=setup.default("axes", a, "motor", "step_angle_deg", otherwise=setup.step_angle),
    )
    if step_angle is None:
        step_angle = max(STEP_ANGLES_DEG, key=STEP_ANGLES_DEG.__getitem__)
        axis.take_commonest("step angle of the motor", f"{plain_number(step_angle)} degrees")
    else:
        setup.step_angle = decimal_text(step_angle)
    count = yield from typed(
        f"{a}.microsteps",
        f"Microsteps of {axis.letter}'s driver: see the jumpers or switches under or beside it and "
        "the table for them, or the controller's settings. (Or: unknown)",
        or_unknown(microsteps(1, 1024)),
        wanted="number or unknown",
        default=setup.default("axes", a, "motor", "microsteps", otherwise=setup.microsteps),
    )
    if count is None:
        count = max(MICROSTEPS, key=MICROSTEPS.__getitem__)
        axis.take_commonest("microsteps of the driver", str(count))
    else:
        setup.microsteps = str(count)
    return Motor(step_angle, count)


# --- place and filament -------------------------------------------------------------------


def _filament(setup: Setup, axis: AxisParts) -> Part[None]:
    a = axis.name
    axis.place["filament_diameter_mm"] = yield from typed(
        f"{a}.filament_diameter",
        "The diameter of the filament, as on the spool.",
        length(Fraction("0.5"), 10),
        wanted="length in mm",
        default=setup.default("axes", a, "filament_diameter_mm", otherwise="1.75"),
    )
    axis.place["max_feed_mm_per_s"] = yield from typed(
        f"{a}.max_feed",
        "The fastest feed in a test; 3 mm/s suits most nozzles.",
        number(Fraction("0.05"), 100, "mm/s", "mm per second"),
        wanted="number in mm/s",
        default=setup.default("axes", a, "max_feed_mm_per_s", otherwise="3"),
    )
    axis.place["max_temperature_c"] = yield from _hottest(setup, a)


def _hottest(setup: Setup, a: str) -> Part[Fraction]:
    """Ask how hot the nozzle may get, anew where no filament could be fed at that."""
    while True:
        hottest_c = yield from typed(
            f"{a}.max_temperature",
            "The hottest the nozzle may ever get: what the filament's spool and the nozzle's maker "
            "both allow.",
            number(50, 500, *DEGREES_C),
            wanted="number in °C",
            default=setup.default("axes", a, "max_temperature_c"),
        )
        if hottest_c >= _COLDEST_FEED_C:
            return hottest_c
        is_so = yield from _is_so(
            f"{a}.cold",
            f"{plain_number(hottest_c)} °C melts no usual filament: feeding through the nozzle "
            f"takes {_COLDEST_FEED_C} °C or more, and could not be measured. Is that so? no asks "
            "for it anew.",
        )
        if is_so:
            return hottest_c


def _range(setup: Setup, axis: AxisParts) -> Part[None]:
    a, unit = axis.name, axis.unit
    known: Sequence[Fraction | int] = setup.known("axes", a, f"range_{unit}") or ()
    low, high = yield from typed(
        f"{a}.range",
        f"How far can {axis.letter} go, in {unit}? See the size in the controller's settings, or "
        "use a ruler. Type 220 for 0 to 220, or both ends as -5 to 220.",
        interval(_FURTHEST[unit], unit),
        wanted=f"{unit}, one or two numbers",
        default=" ".join(decimal_text(Fraction(one)) for one in known),
    )
    axis.place[f"range_{unit}"] = [low, high]
    at = yield from hear(
        Choose(
            key=f"{a}.reference",
            options=("min", "max", "none"),
            default=setup.default("axes", a, "reference", "at", otherwise="none" if known else ""),
            says=(
                f"Where is the end switch that {axis.letter} looks for when sent home: min, the "
                "end with low positions, max, or none?"
            ),
        )
    )
    axis.place["reference"] = {"at": at}
    # Without more the switch is at the end itself; what an earlier card says is kept.
    key = f"position_{unit}"
    position = setup.known("axes", a, "reference", key)
    end = low if at == "min" else high
    if (
        position is not None
        and at == setup.known("axes", a, "reference", "at")
        and abs(position - end) <= (high - low) / 2
    ):
        axis.place["reference"][key] = position
