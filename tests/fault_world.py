"""Machines with a known fault, read with a caliper by a hand, and judged as a session judges.

Every case is a machine as the card describes it, the machine as it is, and a bench on which it
is read. The readings come from plain arithmetic of its own, so that a mistake in the code under
test is not repeated here; plan, screen, fit, budget and verdict are the program's own.

``sit_down`` takes readings as a session does: four, then one by one up to ten, until more would
not change the verdict; what looks misread is read again; where only a second placing of the
caliper leads on, the caliper is placed anew. ``look_over`` then answers the looks that are asked
for, truthfully.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np

from tuner.drive.numbers import plain_number
from tuner.drive.parts import Belt, DriveTrain, GearPair, Motor, Rack, Screw
from tuner.drive.scale import Form, Stored, all_forms, steps_per_mm
from tuner.metrology.causes import MOTOR_TURN
from tuner.metrology.examination import Described, Examination, examine_readings
from tuner.metrology.lattice import DatumLook
from tuner.metrology.reading import SIDE, Columns
from tuner.metrology.targets import CaliperReach, Target, measuring_plan
from tuner.metrology.verdict import Finding, decide

MM_PER_INCH = Fraction("25.4")
STAGE_ONE, MOST = 4, 10
READ_AGAIN = 4


@dataclass(frozen=True)
class Machine:
    """What the card says, and what is true of it.

    `card` and `card_holds` are the parts and the stored number on the card, `real` the parts in
    the machine, `holds` the number in the controller. `deviation` is true travel / what the
    real parts give, for wear and mismeasuring that no part explains.
    """

    card: DriveTrain
    card_holds: Stored
    real: DriveTrain
    holds: Stored
    deviation: float = 1.0
    in_inch: str | None = None  # "controller" or "caliper"
    length_mm: float = 220.0

    @property
    def parts_scale(self) -> Fraction:
        """The exact scale that parts, stored number and units give."""
        scale = steps_per_mm(self.holds, self.card) * self.real.mm_per_step
        match self.in_inch:
            case "controller":
                return scale * MM_PER_INCH
            case "caliper":
                return scale / MM_PER_INCH
        return scale

    @property
    def scale(self) -> float:
        return float(self.parts_scale) * self.deviation

    def is_so(self, look: str) -> bool:
        """Answer the look `look` as somebody does who sees the machine."""
        if look == MOTOR_TURN:
            sent = steps_per_mm(self.holds, self.card) / steps_per_mm(self.card_holds, self.card)
            steps = self.card.motor.microsteps_per_rev * sent
            if self.in_inch == "controller":
                steps *= MM_PER_INCH
            return steps == self.real.motor.microsteps_per_rev
        name, _, suspect = look.partition("=")
        card, real = self.card, self.real
        match name:
            case "pulley-teeth":
                return self._differs("pulley_teeth", suspect)
            case "belt-pitch":
                return self._differs("pitch_mm", suspect)
            case "rack-module":
                return self._differs("module_mm", suspect)
            case "pinion-teeth":
                return self._differs("pinion_teeth", suspect)
            case "screw-lead":
                return self._differs("travel_per_rev_mm", suspect)
            case "step-angle":
                angle = real.motor.step_angle_deg
                return angle != card.motor.step_angle_deg and plain_number(angle) == suspect
            case "microsteps":
                return real.motor.microsteps != card.motor.microsteps and suspect == str(
                    real.motor.microsteps
                )
            case "gear-teeth":
                place, driver, driven = map(int, suspect.split(":"))
                pair = GearPair(driver, driven)
                return real.gears[place - 1] == pair != card.gears[place - 1]
            case "inch-units":
                return suspect == self.in_inch
            case "stored-number" if suspect == "parts":
                return self.real == self.card
            case "stored-number":
                return self.holds != self.card_holds and plain_number(self.holds.value) == suspect
        return False

    def _differs(self, name: str, suspect: str) -> bool:
        now = getattr(self.real.drive, name)
        return now != getattr(self.card.drive, name) and plain_number(Fraction(now)) == suspect

    @property
    def faults(self) -> int:
        """How many things differ from the card."""
        card, real = self.card, self.real
        drive = card.drive != real.drive
        if isinstance(card.drive, Belt) and isinstance(real.drive, Belt):
            drive = (card.drive.pulley_teeth != real.drive.pulley_teeth) + (
                card.drive.pitch_mm != real.drive.pitch_mm
            )
        if isinstance(card.drive, Rack) and isinstance(real.drive, Rack):
            drive = (card.drive.pinion_teeth != real.drive.pinion_teeth) + (
                card.drive.module_mm != real.drive.module_mm
            )
        return (
            int(drive)
            + (card.motor.step_angle_deg != real.motor.step_angle_deg)
            + (card.motor.microsteps != real.motor.microsteps)
            + sum(one != other for one, other in zip(card.gears, real.gears, strict=True))
            + (self.holds != self.card_holds)
            + (self.in_inch is not None)
        )


Spoil = Callable[[np.ndarray, Sequence[Target], np.random.Generator], np.ndarray]


@dataclass(frozen=True)
class Bench:
    """Hand, caliper and the small faults of any machine; lengths in mm.

    `caliper_off_mm` is what the caliper itself is wrong by at the end of its range, in
    proportion below it. `at_once` says that all readings are there when they are examined, as
    in a file, and nothing is read again. `timed` readings have their times, with a pause of
    `pause_s` before the reading `pause_before`, counted from 0. `visits` gives the visit of each
    reading where the position was lost between them. `datum_look` and `hold_time_s` are as for
    ``examine_readings``.
    `spoil` changes where the caliper stood at the n targets : (n,) float, for slips and jumps.
    """

    hand_mm: float = 0.02
    step_mm: float = 0.01
    error_limit_mm: float = 0.03
    caliper_mm: float = 150.0
    caliper_off_mm: float = 0.0
    play_mm: float = 0.03
    eccentric_mm: float = 0.02
    period_turns: float = 1.0
    drift_mm_per_min: float = 0.0
    tilt_deg: float = 0.0
    most: int = MOST
    at_once: bool = False
    timed: bool = False
    seconds_a_reading: float = 30.0
    pause_before: int | None = None
    pause_s: float = 0.0
    visits: tuple[int, ...] | None = None
    datum_look: DatumLook | None = None
    hold_time_s: float | None = None
    spoil: Spoil | None = None


@dataclass
class Sitting:
    """One machine being read on one bench, from one seed."""

    machine: Machine
    bench: Bench
    random: np.random.Generator
    _placings: list[list[Target]] = field(default_factory=list)
    _datums_mm: list[float] = field(default_factory=list)
    _read_mm: list[list[float]] = field(default_factory=list)
    readings_taken: int = 0

    @classmethod
    def of(cls, machine: Machine, bench: Bench, seed: int) -> Sitting:
        sitting = cls(machine, bench, np.random.default_rng(seed))
        sitting._phase = sitting.random.uniform(0.0, 2.0 * math.pi)
        return sitting

    _phase: float = 0.0

    def place(self, count: int) -> None:
        """Place the caliper and take the first `count` readings of the plan."""
        scale = self.machine.scale
        if self.machine.in_inch == "caliper":
            scale *= float(MM_PER_INCH)
        # What a first move of 10 mm tells: the scale within a few percent.
        roughly = scale * 1.02
        plan = measuring_plan(
            self.machine.card,
            self.machine.card_holds,
            reach=(0.0, self.machine.length_mm / max(1.0, roughly)),
            over_mm=1.0,
            caliper=CaliperReach(self.bench.caliper_mm),
            scale=roughly,
            even_turns=not 0.9 <= roughly <= 1.1,
            count=max(STAGE_ONE, self.bench.most),
        )
        self._placings.append(list(plan.targets))
        self._datums_mm.append(20.0 + self.random.uniform(-0.2, 0.2))
        self._read_mm.append([])
        if self.bench.at_once:
            count = self.bench.most
        self._take(self._placings[-1][:count])

    def one_more(self) -> bool:
        """Take the next reading of the plan; return whether there was one."""
        taken = len(self._read_mm[-1])
        following = self._placings[-1][taken : min(taken + 1, self.bench.most)]
        self._take(following)
        return bool(following)

    def again(self, row: int) -> None:
        """Take the reading `row`, counted from 0, once more."""
        for targets, read in zip(self._placings, self._read_mm, strict=True):
            if row < len(read):
                read[row] = float(self._shown([targets[row]], spoiled=False)[0])
                self.readings_taken += 1
                return
            row -= len(read)

    def _take(self, targets: list[Target]) -> None:
        if targets:
            self._read_mm[-1] += self._shown(targets, spoiled=self.bench.at_once).tolist()
            self.readings_taken += len(targets)

    def _shown(self, targets: list[Target], *, spoiled: bool) -> np.ndarray:
        machine, bench = self.machine, self.bench
        commanded_mm = np.array([one.commanded_mm for one in targets])
        side = np.array([SIDE[one.approach] for one in targets])
        scale = machine.scale * (float(MM_PER_INCH) if machine.in_inch == "caliper" else 1.0)
        gone_mm = scale * commanded_mm
        turns = gone_mm / float(machine.real.travel_per_rev_mm)
        minutes = self._times_s(self.readings_taken + np.arange(len(targets))) / 60.0
        place_mm = (
            self._datums_mm[-1]
            + gone_mm
            - side * bench.play_mm / 2.0
            + bench.eccentric_mm * np.sin(2.0 * math.pi * turns / bench.period_turns + self._phase)
            + bench.drift_mm_per_min * minutes
        ) / math.cos(math.radians(bench.tilt_deg))
        place_mm *= 1.0 + bench.caliper_off_mm / bench.caliper_mm
        held = place_mm + self.random.normal(0.0, bench.hand_mm, len(targets))
        if spoiled and bench.spoil is not None:
            held = bench.spoil(held, targets, self.random)
        if machine.in_inch == "caliper":
            return np.round(held / float(MM_PER_INCH) / 0.0005) * 0.0005
        return np.round(held / bench.step_mm) * bench.step_mm

    def _times_s(self, rows: np.ndarray) -> np.ndarray:
        late = self.bench.pause_before is not None and rows >= self.bench.pause_before
        return rows * self.bench.seconds_a_reading + late * self.bench.pause_s

    def columns(self) -> Columns:
        """Return all readings so far, one visit for each placing."""
        pairs = [
            (target, visit)
            for visit, (targets, read) in enumerate(
                zip(self._placings, self._read_mm, strict=True), 1
            )
            for target in targets[: len(read)]
        ]
        return Columns(
            commanded_mm=np.array([one.commanded_mm for one, _ in pairs]),
            reading_mm=np.array([value for read in self._read_mm for value in read]),
            side=np.array([SIDE[one.approach] for one, _ in pairs]),
            visit=np.array(self.bench.visits or [visit for _, visit in pairs], dtype=np.int64),
            time_s=self._times_s(np.arange(len(pairs))) if self.bench.timed else None,
        )

    def examined(self) -> Examination:
        return examine_readings(
            self.columns(),
            resolution_mm=self.bench.step_mm,
            error_limit_mm=self.bench.error_limit_mm,
            grows=1,
            described=Described(self.machine.card, self.machine.card_holds, self.machine.length_mm),
            hold_time_s=self.bench.hold_time_s,
            datum_look=self.bench.datum_look,
        )


@dataclass(frozen=True)
class Outcome:
    """What came of one sitting: the finding before and after the looks."""

    machine: Machine
    finding: Finding
    readings: int
    after_looks: Finding
    looks: Mapping[str, str]
    first: Finding  # at the readings as they were, nothing read again

    @property
    def value_confident(self) -> bool:
        """Whether the finding commits itself to a number."""
        return self.finding.verdict in ("keep", "change") or bool(self.finding.tie)

    @property
    def said(self) -> float:
        """The scale that the finding commits itself to."""
        found = self.finding
        if found.verdict == "keep":
            return 1.0
        if found.tie:
            return float(found.tie[0].predicted)
        if found.proposal is not None and found.proposal.basis == "measured":
            return found.scale.value
        assert found.weighed is not None
        return float(found.weighed.classes[0].predicted)

    @property
    def value_right(self) -> bool:
        """Whether that number is right: exactly from parts, within U where it was measured."""
        found, scale = self.finding, self.machine.scale
        if found.verdict == "keep" or (found.proposal and found.proposal.basis == "measured"):
            u = found.weighed.u_relative if found.weighed else found.scale.u_relative
            return abs(math.log(scale / self.said)) <= max(
                3.0 * u, 0.1 / self.machine.length_mm if found.verdict == "keep" else 0.0
            )
        return math.isclose(self.said, scale, rel_tol=1e-9)

    @property
    def part_right(self) -> bool:
        """Whether, after the looks, one cause is left, and it is the true one."""
        found = self.after_looks
        if not found.part_known or found.weighed is None:
            return False
        best = found.weighed.causes[0]
        return all(self.machine.is_so(look) for look in best.looks)


def sit_down(machine: Machine, bench: Bench, seed: int) -> Outcome:
    """Read `machine` until the verdict is known, then look where it asks to."""
    sitting = Sitting.of(machine, bench, seed)
    sitting.place(min(STAGE_ONE, bench.most))
    found = first = _finding(sitting)
    reread = 0
    while not bench.at_once:
        if found.suspects and reread < READ_AGAIN:
            reread += 1
            for one in found.suspects:
                sitting.again(one.row - 1)
        elif found.value_known or not sitting.one_more():
            if not found.place_anew or len(sitting._placings) > 1:
                break
            sitting.place(min(STAGE_ONE, bench.most))
        found = _finding(sitting)
    looks, after = look_over(machine, found)
    return Outcome(machine, found, sitting.readings_taken, after, looks, first)


def _finding(sitting: Sitting) -> Finding:
    finding = sitting.examined().finding
    assert finding is not None
    return finding


def look_over(machine: Machine, found: Finding) -> tuple[dict[str, str], Finding]:
    """Answer every look that `found` asks for until it asks for none."""
    looks: dict[str, str] = {}
    while (look := found.look) is not None and look.key not in looks:
        looks[look.key] = "confirmed" if machine.is_so(look.key) else "denied"
        found = decide(
            found.scale,
            found.train,
            found.stored,
            fit=found.fit,
            axis_length_mm=machine.length_mm,
            looks=looks,
        )
    return looks, found


# --- the machines of the table -------------------------------------------------------------

STEPPER = Motor(Fraction("1.8"), 16)
BELT = DriveTrain(Belt(Fraction(2), 20), STEPPER)


def stored_for(train: DriveTrain, form: Form = Form.STEPS_PER_MM) -> Stored:
    """The number that is right for `train`."""
    return Stored(form, all_forms(train.steps_per_mm, train)[form])


def machine_of(
    card: DriveTrain, real: DriveTrain | None = None, form: Form = Form.STEPS_PER_MM
) -> Machine:
    """A machine with `real` parts whose stored number fits what the card says."""
    holds = stored_for(card, form)
    return Machine(card=card, card_holds=holds, real=real or card, holds=holds)


def belt(teeth: int = 20, pitch: str = "2", angle: str = "1.8", microsteps: int = 16) -> DriveTrain:
    return DriveTrain(Belt(Fraction(pitch), teeth), Motor(Fraction(angle), microsteps))


def screw(pitch: str, starts: int = 1) -> DriveTrain:
    return DriveTrain(Screw(Fraction(pitch), starts), STEPPER)


# --- machines at random ---------------------------------------------------------------------

_COMMON_TEETH = (16, 20, 24, 30, 32, 36, 40, 48, 60)
_LEADS = ("1", "1.25", "1.5", "2", "2.5", "3", "4", "5", "6", "8", "10")


def _one(random: np.random.Generator, options: tuple, p: tuple | None = None):  # type: ignore[no-untyped-def]
    return options[int(random.choice(len(options), p=p))]


def _teeth(random: np.random.Generator) -> int:
    if random.random() < 0.7:
        return int(_one(random, _COMMON_TEETH))
    return int(random.integers(12, 61))


def random_machine(random: np.random.Generator) -> Machine:
    """A machine that is what its card says; weights of the parts are common practice."""
    kind = random.choice(3, p=(0.6, 0.25, 0.15))
    if kind == 0:
        pitch = _one(random, ("2", "2.5", "3", "5"), (0.6, 0.1, 0.2, 0.1))
        drive: Belt | Screw | Rack = Belt(Fraction(pitch), _teeth(random))
    elif kind == 1:
        lead = Fraction(_one(random, _LEADS))
        starts = int(_one(random, (1, 2, 4))) if lead >= 4 else 1
        drive = Screw(lead / starts, starts)
    else:
        module = _one(random, ("0.5", "1", "1.5", "2"))
        drive = Rack(Fraction(module), int(random.integers(12, 31)))
    gears: tuple[GearPair, ...] = ()
    if random.random() < 0.25:
        gears = (GearPair(int(random.integers(10, 31)), int(random.integers(20, 101))),)
    angle = _one(random, ("1.8", "0.9"), (0.7, 0.3))
    motor = Motor(Fraction(angle), int(2 ** random.integers(3, 9)))
    form = _one(random, tuple(Form))
    return replace(
        machine_of(DriveTrain(drive, motor, gears), form=form),
        length_mm=float(random.integers(80, 401)),
    )


def random_bench(random: np.random.Generator) -> Bench:
    """A hand, and a caliper of 0.01, 0.02 or 0.05 mm."""
    step_mm = float(_one(random, (0.01, 0.02, 0.05), (0.7, 0.2, 0.1)))
    limit_mm = 0.05 if step_mm == 0.05 else 0.03
    return Bench(
        hand_mm=float(random.uniform(0.012, 0.04)),
        step_mm=step_mm,
        error_limit_mm=limit_mm,
        caliper_off_mm=float(random.uniform(-limit_mm, limit_mm)),
        tilt_deg=float(random.uniform(0.0, 1.0)),
        play_mm=float(random.uniform(0.0, 0.2)),
        eccentric_mm=float(random.uniform(0.0, 0.05)),
    )


def with_fault(machine: Machine, random: np.random.Generator) -> Machine:
    """`machine` with one part that is not what the card says, or another stored number."""
    real = machine.real
    drive, motor, gears = real.drive, real.motor, real.gears
    kinds = ["output"] * 5 + ["motor"] * 2 + ["microsteps"] * 3
    kinds += ["gears"] * 4 if gears else []
    match _one(random, tuple(kinds)):
        case "output":
            if isinstance(drive, Belt):
                if random.random() < 0.3:
                    pitches = [
                        one
                        for one in ("2", "2.032", "2.5", "3", "5")
                        if Fraction(one) != drive.pitch_mm
                    ]
                    drive = replace(drive, pitch_mm=Fraction(_one(random, tuple(pitches))))
                else:
                    drive = replace(drive, pulley_teeth=_other(drive.pulley_teeth, _teeth, random))
            elif isinstance(drive, Rack):
                if random.random() < 0.2:
                    modules = [
                        one for one in ("0.5", "1", "1.5", "2") if Fraction(one) != drive.module_mm
                    ]
                    drive = replace(drive, module_mm=Fraction(_one(random, tuple(modules))))
                else:
                    drive = replace(
                        drive,
                        pinion_teeth=_other(
                            drive.pinion_teeth, lambda r: int(r.integers(12, 31)), random
                        ),
                    )
            else:
                lead = drive.travel_per_rev_mm
                while lead == drive.travel_per_rev_mm:
                    lead = Fraction(_one(random, _LEADS))
                drive = Screw(lead)
        case "motor":
            angle = "0.9" if motor.step_angle_deg == Fraction("1.8") else "1.8"
            motor = replace(motor, step_angle_deg=Fraction(angle))
        case "microsteps":
            motor = replace(
                motor,
                microsteps=_other(motor.microsteps, lambda r: int(2 ** r.integers(3, 9)), random),
            )
        case _:
            pair = gears[0]
            driver, driven = pair.driver, pair.driven
            if random.random() < 0.2 and driver != driven:
                driver, driven = driven, driver
            elif random.random() < 0.5:
                driver = _other(driver, lambda r: driver + int(r.integers(-2, 3)), random)
            else:
                driven = _other(driven, lambda r: driven + int(r.integers(-4, 5)), random)
            gears = (GearPair(driver, driven),)
    return replace(machine, real=DriveTrain(drive, motor, gears))


def _other(
    now: int, draw: Callable[[np.random.Generator], int], random: np.random.Generator
) -> int:
    found = now
    while found == now:
        found = draw(random)
    return found


def with_number_misread(machine: Machine, random: np.random.Generator) -> Machine:
    """`machine` whose controller holds the number of another machine of its kind."""
    while True:
        other = with_fault(machine, random).real
        holds = stored_for(other, machine.card_holds.form)
        if holds != machine.card_holds:
            return replace(machine, holds=holds)
