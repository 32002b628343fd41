"""X and Y on coupled belts: two motors that move both axes together, each with a number of its own.

The caliper is placed along X: X is moved and read, then Y is moved and X is read again, which
shows how much of a move of Y goes astray. The same along Y. Four slopes give the scale of both
motors (``metrology.coupled``), and every verdict is about a motor.

The rules: where both axes can go is declared before either moves, since each may move along with
the other; while one is measured the other stands at its origin. A first move that slants leads on,
unless one motor stands still or turns the wrong way. A slant that a skew of the guides may explain
is no difference between the motors.

Four readings an axis name a part. A motor that no part explains gets a measured number: the caliper
is placed along both axes anew, as many readings are taken as help, and both rounds must agree on
both motors. Unless the motors clearly differ, both axes themselves have to travel wrong for it. No
placing tells motors that differ from guides off square, so motors that differ get no measured
number before a square was held to the guides.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from tuner.card.schema import Card
from tuner.drive.parts import Belt, DriveTrain, Measured
from tuner.messages import Approach, Ask, Checkpoint, Choose, Confirm, Decided, Say, Value
from tuner.metrology.budget import Scale
from tuner.metrology.coupled import Coupled, Slopes, motor_scales
from tuner.metrology.examination import Examination
from tuner.metrology.faults import Told, told_by
from tuner.metrology.fit import Fit, fit
from tuner.metrology.reading import Reading
from tuner.metrology.unmeasured import without_fit
from tuner.metrology.verdict import Finding as Judged
from tuner.metrology.verdict import agree, decide
from tuner.plans.axis import has_moved, prepare, read_zero, run_of, zero_moved
from tuner.plans.bounds import limits
from tuner.plans.first_move import (
    BRANCHES,
    LEAST_FIRST_MM,
    POWER_OFF,
    Branch,
    declare_free,
    first_length_mm,
    looked_right,
    makes_room,
    no_room_at_first,
    tries_again,
    watch,
)
from tuner.plans.ladder import climb
from tuner.plans.measure import examined, finding_now, measure
from tuner.plans.readings import fitted, left_in_pairs, scale_so_far
from tuner.plans.recover import Contact, needs_no_machine, recover
from tuner.plans.run import AxisRun, Finding, Part, hear

__all__ = ["MOTORS", "measure_coupled"]

MOTORS = {"x": "a", "y": "b"}
"""Which motor's drive stands under which axis of the card."""

# How far guides may be off square, as one standard uncertainty in rad (common practice, no
# source): a frame that nobody checked holds 0.2 degrees, a square held to it 0.05 mm in 100 mm.
_NOT_CHECKED = "not-checked"
_SKEW_RAD = {_NOT_CHECKED: 0.0020, "square": 0.0003}
# A skew is the same in every round, so it explains no difference between two of them.
_SAME_SKEW_RAD = 1e-6
_STAGE_ONE = 4
# A wheel that drives or leads a belt runs out by a tenth from top to bottom (common practice, no
# source), unless the readings along an axis show that it is more.
_RUNS_OUT_MM = 0.05
_SEEN_U = 2.0
_CLEAR_U = 3.0
_MOST_ASIDE_MM = 60.0
_LEAST_ASIDE_MM = 5.0
_SAME_PLACE_MM = 0.3
_ACROSS = 4
_LIKELY = 0.04
_DISAGREE = (
    "the two rounds do not agree: see what tilts or gives where the caliper sits, clean and seat "
    "it the same way every time, and start again"
)
_OF_THE_MOTOR = (
    "scale", "travel_per_rev_mm", "causes", "tie", "next", "look", "verdict", "value_known",
    "place_anew", "proposal",
)  # fmt: skip

_ONE_STILL = Branch(
    "not-powered",
    "it went aside as far as ahead: one of the two motors stood still",
    f"{POWER_OFF}, look at the plug and the wires of the motor that stood still, and measure its "
    "two windings with an ohmmeter; never pull the plug of a powered motor",
)
_BACKWARD = Branch(
    "reversed",
    "it went aside instead of ahead: one of the two motors turns the wrong way round",
    f"{POWER_OFF}, turn the plug of that motor round, or change its direction setting by hand. "
    "Where X was told to plus: Y to minus means motor a, Y to plus motor b",
)
_EXCHANGED = Branch(
    "wrong-axis",
    "X goes the right way and Y the wrong way: the plugs of the two motors are exchanged, or the "
    "card names motor a what the controller calls b",
    f"{POWER_OFF}, exchange the plugs of both motors",
)


@dataclass
class Pair:
    """Both axes while they are being measured; `standing` says that their places are known."""

    x: AxisRun
    y: AxisRun
    standing: bool = False
    guides: str = _NOT_CHECKED

    @property
    def runs(self) -> tuple[AxisRun, AxisRun]:
        """X, then Y."""
        return self.x, self.y


def measure_coupled(
    card: Card, contact: Contact, step: int, of: int, *, quick: bool = False
) -> Part[list[AxisRun]]:
    """Measure both axes; the result is their runs, each with the finding of one motor.

    It takes six steps of the session. `quick` leaves it at the four readings an axis that name a
    part.
    """
    x, y = (run_of(card, card.axes[name], quick=True) for name in MOTORS)
    pair = Pair(x, y)
    judged = yield from _round(pair, contact, (step, step + 3), of)
    wants_number = judged and not quick and any(run.finding["place_anew"] for run in pair.runs)
    if wants_number and (yield from contact.through(partial(_placed_anew, pair))):
        for run in pair.runs:
            run.visit += 1
            run.second_visit = run.visit
            run.settled = len(run.readings)
            run.quick = False
        yield from _round(pair, contact, (step + 3, step + 3), of)
    for run in pair.runs:
        run.quick = quick
    return [x, y]


def _round(pair: Pair, contact: Contact, steps: tuple[int, int], of: int) -> Part[bool]:
    """Read both axes and judge both motors; the result is False where something ended it."""
    for step, run, other in zip(steps, pair.runs, pair.runs[::-1], strict=True):
        ended = yield from _one_placing(pair, run, other, contact, step, of)
        if ended is not None:
            for one in pair.runs:
                one.ends_session, one.zero_moved = run.ends_session, run.zero_moved
                one.finding = {**ended, "axis": one.name, "motor": MOTORS[one.name]}
            return False
    for run in pair.runs:
        run.judge = partial(_finding, pair)
        run.finding = yield from contact.through(
            partial(hear, Decided(key=f"{run.name}.motor", value=run.judge(run)))
        )
    return True


def _placed_anew(pair: Pair) -> Part[bool]:
    """Ask whether a second round is made, for motors that no part explains."""
    motors = " and ".join(MOTORS[run.name] for run in pair.runs if run.finding["place_anew"])
    return bool(
        (
            yield from hear(
                Confirm(
                    key=f"{pair.x.name}.place-anew",
                    says=(
                        f"Motor {motors} may need a measured number: no usual part explains it. "
                        "That takes a second round: the caliper and what it reads from are taken "
                        "away, placed anew along X and then along Y, and more is read. Has it been "
                        "taken away, and shall that be done?"
                    ),
                )
            )
        )
    )


def _one_placing(
    pair: Pair, run: AxisRun, other: AxisRun, contact: Contact, step: int, of: int
) -> Part[Finding | None]:
    """Read `run` while it moves, and while `other` moves; the result is what ended it."""
    zero_first_mm = yield from contact.through(partial(_prepare, pair, run, step, of))
    for part in (
        partial(_climb, pair, run, contact, step + 1, of),
        partial(_read, pair, run, other, contact, step + 2, of),
    ):
        ended = yield from contact.through(part)
        if ended is not None:
            return ended
    zero_last_mm = yield from contact.through(partial(read_zero, run, "zero-last"))
    moved = yield from contact.through(
        partial(
            hear,
            Decided(key=f"{run.name}.zero-moved", value=has_moved(zero_first_mm, zero_last_mm)),
        )
    )
    run.zero_moved = moved
    if moved:
        return {**run.finding, **zero_moved(zero_first_mm, zero_last_mm)}
    return None


def _prepare(pair: Pair, run: AxisRun, step: int, of: int) -> Part[float]:
    zero_mm = yield from prepare(run, step, of)
    if run is pair.x and not run.second_visit:
        pair.guides = yield from hear(
            Choose(
                key=f"{run.name}.square",
                options=tuple(_SKEW_RAD),
                default=_NOT_CHECKED,
                says=(
                    "Guides that are off square look like motors that differ. Were the guides of X "
                    "and Y checked with a square (square), or not (not-checked)?"
                ),
            )
        )
    return zero_mm


# --- the first moves, of both ---------------------------------------------------------------


def _climb(pair: Pair, run: AxisRun, contact: Contact, step: int, of: int) -> Part[Finding | None]:
    yield from _at_the_machine(pair, run, contact)
    yield Checkpoint(
        key=f"{run.name}.ladder",
        step=step,
        of=of,
        says=f"Axis {run.letter}: first moves, small and slow",
    )
    return (yield from climb(run, False, partial(_first_moves, pair)))


def _at_the_machine(pair: Pair, run: AxisRun, contact: Contact) -> Part[None]:
    if not contact.is_made:
        pair.standing = False
        yield from recover(run, contact)


def _first_moves(pair: Pair, run: AxisRun) -> Part[Finding | None]:
    """Declare where both may go, and watch 1 mm of each, forth and back."""
    while not pair.standing:
        yield from _declare(pair)
        free_mm = [side for one in pair.runs for side in (-one.minus_mm, one.plus_mm)]
        first_mm = yield from hear(
            Decided(key=f"{run.name}.first-length", value=first_length_mm(*free_mm))
        )
        if first_mm < LEAST_FIRST_MM:
            tightest = min(pair.runs, key=lambda one: min(-one.minus_mm, one.plus_mm))
            if (yield from makes_room(tightest)):
                continue
            return no_room_at_first(run)
        again = False
        for one in pair.runs:
            seen = yield from watch(one, first_mm)
            if not isinstance(seen, str):
                run.ends_session = one.ends_session
                return seen
            branch = yield from _means(one, seen)
            if branch is None:
                yield from looked_right(one)
                yield _to_origin(one, "first-back", over_mm=0.0)
                continue
            yield Say(key=f"{one.name}.branch", says=f"{branch.says}. Next: {branch.check}")
            again = seen in ("nothing", "shakes") and (yield from tries_again(one))
            if not again:
                return branch.finding(run)
            break
        pair.standing = not again
    return None


def _declare(pair: Pair) -> Part[None]:
    for one in pair.runs:
        yield from declare_free(one)
    for one, other in (pair.runs, pair.runs[::-1]):
        one.beside_mm = min(-other.minus_mm, other.plus_mm)
        one.slant = one.scale_high
        value = limits(one, direction_seen=False, at_mm=0.0)
        yield Decided(key=f"{one.name}.limits", value=value)


def _means(run: AxisRun, seen: str) -> Part[Branch | None]:
    """Return what was seen of a first move means, None where it leads on."""
    if seen == "about-right":
        return None
    if seen == "other-axis":
        return _BACKWARD
    if seen == "wrong-way" and run.name == "y":
        return _EXCHANGED
    if seen != "diagonal":
        return BRANCHES[seen]
    aside = yield from hear(
        Choose(
            key=f"{run.name}.slant",
            options=("less", "as-far", "further"),
            says=(
                f"One motor that goes too far or not far enough makes a move slant. How far did it "
                f"go aside, against how far {run.letter} went: less, as far, or further?"
            ),
        )
    )
    return {"less": None, "as-far": _ONE_STILL, "further": _BACKWARD}[aside]


def _to_origin(run: AxisRun, why: str, over_mm: float) -> Approach:
    return Approach(
        key=f"{run.name}.{why}",
        axis=run.name,
        to_mm=0.0,
        approach="minus",
        over_mm=over_mm,
        feed_mm_per_min=run.slow_feed_mm_per_min(),
    )


# --- what is read ---------------------------------------------------------------------------


def _read(
    pair: Pair, run: AxisRun, other: AxisRun, contact: Contact, step: int, of: int
) -> Part[Finding | None]:
    if not contact.is_made:
        if run.climbed and not _missing(run) and (yield from needs_no_machine(measure(run))):
            return None
        yield from _at_the_machine(pair, run, contact)
        ended = yield from climb(run, False, partial(_first_moves, pair))
        if ended is not None:
            return ended
    yield Checkpoint(
        key=f"{run.name}.measure", step=step, of=of, says=f"Axis {run.letter}: measuring"
    )
    yield from measure(run)
    if run.finding["scale"] is None:
        return run.finding
    yield _to_origin(run, "back", over_mm=run.over_mm)
    ended = yield from _read_across(run, other)
    yield _to_origin(other, "aside-back", over_mm=0.0)
    return ended


def _read_across(run: AxisRun, other: AxisRun) -> Part[Finding | None]:
    """Read `run` at both ends of a move of `other`: near, far, far, near."""
    # While both motors turn forward neither axis goes further aside than the other goes ahead.
    other.slant = min(other.slant, run.scale_high)
    yield Decided(key=f"{other.name}.limits", value=limits(other, direction_seen=True))
    ends = yield from hear(Decided(key=f"{run.name}.aside", value=_ends_mm(other)))
    low_mm, high_mm = ends
    if high_mm - low_mm < 2.0 * _LEAST_ASIDE_MM:
        return without_fit(
            verdict="cannot-tell",
            axis=run.name,
            n=len(run.readings),
            next=(
                f"{other.letter} has too little room to show how far its moves slant: push both "
                "axes slowly to the middle (power off), and start again"
            ),
        )
    yield Say(
        key=f"{run.name}.across",
        says=(
            f"The caliper stays along {run.letter}, and {other.letter} moves from {low_mm:.1f} to "
            f"{high_mm:.1f} mm: 4 readings show how far that takes {run.letter} along"
        ),
    )
    for place in _missing(run):
        at_mm = low_mm if place in (1, 4) else high_mm
        yield from _take_across(run, other, place, at_mm)
    return None


def _ends_mm(other: AxisRun) -> list[float]:
    """Return both ends of the move across, in commanded mm, with the over-travel kept clear."""
    aside_mm = min(other.beside_mm / other.slant, _MOST_ASIDE_MM)
    minus, plus = (
        max(0, math.floor(10.0 * (min(side / other.scale_high, aside_mm) - other.over_mm))) / 10.0
        for side in (-other.minus_mm, other.plus_mm)
    )
    return [-minus, plus]


def _missing(run: AxisRun) -> list[int]:
    return left_in_pairs(_rounds(run, run.across)[-1], run.visit, _ACROSS)


def _take_across(run: AxisRun, other: AxisRun, place: int, at_mm: float) -> Part[None]:
    here = [one for one in run.across if one.visit == run.visit and one.commanded_mm == at_mm]
    key = f"{run.name}.across.{place}"
    fresh = False
    while True:
        yield Approach(
            key=key,
            axis=other.name,
            to_mm=at_mm,
            approach="plus",
            over_mm=other.over_mm,
            feed_mm_per_min=other.slow_feed_mm_per_min(),
            fresh=fresh,
        )
        expected = here[0].reading_mm if here else None
        expected = yield from hear(Decided(key=f"{run.name}.expected", value=expected))
        reply = yield Ask(
            key=key,
            axis=run.name,
            at_mm=0.0,
            approach="minus",
            n=run.next_n,
            low_mm=0.0,
            high_mm=run.caliper.range_mm,
            expected_mm=expected,
            within_mm=_SAME_PLACE_MM,
            visit=run.visit,
            says=f"{other.letter} moved, {run.letter} stands: what does the caliper show?",
        )
        fresh = True
        if isinstance(reply, Value):
            run.across.append(
                Reading(
                    at_mm, reply.value, "plus", n=run.next_n, visit=run.visit, time_s=reply.at_s
                )
            )
            return


# --- what it means --------------------------------------------------------------------------


def _finding(pair: Pair, run: AxisRun) -> Finding:
    """Return the finding of the motor whose drive stands under this axis."""
    said = {one.name: examined(one, {}) for one in pair.runs}
    across = {
        one.name: [_across_fit(one, some) for some in _rounds(one, one.across)] for one in pair.runs
    }
    moves = finding_now(run, {})
    try:
        found = motor_scales(
            _slopes(pair, {name: one.scale for name, one in said.items()}, across, _wave_mm(said)),
            u_skew_rad=_SKEW_RAD[pair.guides],
        )
        rounds = _agreeing_rounds(pair, across)
    except ValueError as reason:
        return {**moves, **_open("cannot-tell", str(reason)), "motor": MOTORS[run.name]}
    scales = {"x": found.a, "y": found.b}
    motors = {
        one.name: decide(
            scales[one.name],
            one.axis.train,
            one.axis.stored,
            fit=said[one.name].fit,
            axis_length_mm=one.axis.length_mm,
            setups=rounds,
            looks=one.looks,
        )
        for one in pair.runs
    }
    judged = motors[run.name].as_json(file=None, axis=run.name)
    finding = {**moves, **{key: judged[key] for key in _OF_THE_MOTOR}}
    told = {one.name: _told(said[one.name], motors.values()) for one in pair.runs}
    finding["causes"] = [*finding["causes"], *(one.as_json() for one in told[run.name].faults)]
    finding |= {"motor": MOTORS[run.name], "coupled": _as_json(found)}
    if finding["verdict"] == "keep":
        finding["next"] = told[run.name].looked_at_before(finding["next"])
    if run.second_visit and rounds == 1 and finding["verdict"] == "measure-again":
        finding["next"] = _DISAGREE
    return finding | _first_of_all(pair, run, finding, found, said, told)


def _rounds(run: AxisRun, readings: Sequence[Reading]) -> list[list[Reading]]:
    """Return `readings` of each placing of the caliper along `run`, one or two of them."""
    if not run.second_visit:
        return [[*readings]]
    return [
        [one for one in readings if (one.visit >= run.second_visit) == is_second]
        for is_second in (False, True)
    ]


def _across_fit(run: AxisRun, readings: Sequence[Reading]) -> Fit:
    return fit(readings, grows=run.grows, resolution_mm=run.caliper.resolution_mm)


def _travel_wrong(said: Mapping[str, Examination]) -> bool:
    """Return whether each axis clearly travels other than it is told, whatever the slant."""
    wave_mm = _wave_mm(said)
    return all(
        abs(math.log(one.scale.value))
        > _CLEAR_U * math.hypot(one.scale.u_relative, wave_mm / one.fit.span_mm)
        for one in said.values()
    )


def _wave_mm(said: Mapping[str, Examination]) -> float:
    """Return how far wheels that run out of round may take an axis, as one standard deviation."""
    waves = [one.fit.periodic for one in said.values() if one.fit.periodic is not None]
    seen = [one.amplitude_mm for one in waves if one.amplitude_mm > _SEEN_U * one.u_mm]
    return max([_RUNS_OUT_MM / math.sqrt(3.0), *seen])


def _slopes(
    pair: Pair,
    along: Mapping[str, Scale],
    across: Mapping[str, Sequence[Fit]],
    wave_mm: float,
) -> Slopes:
    """Return the four slopes, those across as the mean of the rounds.

    The faces are turned otherwise in each round, so its readings across have a slope of their own.
    They are taken at two places, the same in every round: what wheels out of round do between
    those, with phases that nobody knows, is `wave_mm`, and no round tells it from a slant.
    """
    mean, u = {}, {}
    for run in pair.runs:
        fits, told = across[run.name], [one.commanded_mm for one in run.across]
        mean[run.name] = math.fsum(one.scale for one in fits) / len(fits)
        by_hand = math.hypot(*(one.u_scale for one in fits)) / len(fits)
        u[run.name] = math.hypot(by_hand, wave_mm / (max(told) - min(told)))
    return Slopes(along["x"], along["y"], mean["x"], u["x"], mean["y"], u["y"])


def _agreeing_rounds(pair: Pair, across: Mapping[str, Sequence[Fit]]) -> int:
    """Return how many rounds agree on both motors, 1 where they do not.

    A round is as good as the places it was planned for; the ladder is too short for one.
    """
    places = {
        run.name: _rounds(
            run, [one for one, stop in zip(run.readings, run.stops, strict=True) if stop.place]
        )
        for run in pair.runs
    }
    found = []
    for number in range(min(map(len, places.values()))):
        here = {name: rounds[number] for name, rounds in places.items()}
        if min(map(len, here.values())) < _STAGE_ONE:
            return 1
        along = {run.name: scale_so_far(run, fitted(run, here[run.name])) for run in pair.runs}
        slant = {name: fits[number : number + 1] for name, fits in across.items()}
        slopes = _slopes(pair, along, slant, wave_mm=0.0)
        found.append(motor_scales(slopes, u_skew_rad=_SAME_SKEW_RAD))
    alike = all(agree(found[0].a, one.a) and agree(found[0].b, one.b) for one in found)
    return len(found) if alike else 1


def _first_of_all(
    pair: Pair,
    run: AxisRun,
    finding: Finding,
    found: Coupled,
    said: Mapping[str, Examination],
    told_of: Mapping[str, Told],
) -> Finding:
    """Return what comes before the number of a motor; nothing where that may be judged."""
    for one in pair.runs:
        told = told_of[one.name]
        if told.verdict is not None:
            causes = [fault.as_json() for fault in told.faults]
            verdict, next_ = told.verdict, f"{one.letter}: {told.next}"
            alone = any(other.verdict is None for other in told_of.values())
            if verdict == "repair-first" and alone:
                verdict = "cannot-tell"
                next_ += (
                    f". What a motor loses shows along both axes, this only along {one.letter}: "
                    "see first that the face and what is held to it sit firmly, and measure again"
                )
            return {
                **_open(verdict, next_),
                "causes": causes,
                "tie": list(told.tie),
                "jumps": told.jumps_as_json() if one is run else finding["jumps"],
            }
    for one in pair.runs:
        if said[one.name].suspects:
            in_one = f"readings of {one.letter} contradict each other: measure again"
            return _open("measure-again", _DISAGREE if one.second_visit else in_one)
    if not found.consistent:
        return _open(
            "cannot-tell",
            f"X travels {said['x'].scale.value:.4f} and Y {said['y'].scale.value:.4f} of what they "
            "are told, which no pair of motors on coupled belts can do: look how the belts run, "
            "and whether an axis slips or a reading was wrong",
        )
    if found.slanted:
        return _open(
            "cannot-tell",
            f"the moves slant by {1000.0 * found.difference / 2.0:+.2f} mm in 1 m: guides off "
            "square explain that as well as motors that differ. Hold a square to the guides of X "
            "and Y, and count the teeth of both pulleys; then measure again",
        )
    if found.apart and pair.guides == _NOT_CHECKED and _wants_measured(finding):
        scale = finding["scale"]
        return _open(
            "cannot-tell",
            f"motor {MOTORS[run.name]} goes {scale['value']:.4f} ± {scale['U']:.4f} of what it is "
            "told, and no usual part explains it. A measured number is not proposed while the "
            "motors differ and nobody checked the guides: guides off square look the same, however "
            "often the caliper is placed anew. Hold a square to X and Y, and measure again",
        )
    if not found.apart and _wants_measured(finding) and not _travel_wrong(said):
        return _open(
            "measure-again",
            "X and Y themselves travel what they are told, as far as that can be seen; what is "
            "left is how their moves slant, and wheels that run out of round do that as well. Look "
            "whether a pulley or a wheel of the belts wobbles, and measure again over a longer way",
        )
    if found.apart and finding["verdict"] in ("measure-again", "cannot-tell"):
        return {
            "next": (
                f"{finding['next']}. Put the other motor right first: while the moves slant, what "
                "the guides may be off square hides small errors"
            )
        }
    return {}


def _wants_measured(finding: Finding) -> bool:
    proposal = finding["proposal"]
    return bool(finding["place_anew"] or (proposal and proposal["basis"] == "measured"))


def _told(said: Examination, motors: Iterable[Judged]) -> Told:
    """Return what the readings of one axis say of its motion.

    What one motor loses moves each axis by half of that, so cycles and teeth count half. So fine
    a lattice that a nudged face is never excluded, whatever the closed jaws show.
    """
    likely = [
        cause.train
        for one in motors
        for cause in (one.weighed.causes if one.weighed else ())
        if cause.p > _LIKELY
    ]
    trains = dict.fromkeys(map(_halved, likely or [one.train for one in motors]))
    return told_by(said.motion, said.fit, said.scale.value, list(trains))


def _halved(train: DriveTrain) -> DriveTrain:
    drive = train.drive
    if isinstance(drive, Belt):
        return replace(train, drive=Belt(drive.pitch_mm / 2, drive.pulley_teeth))
    return replace(train, drive=Measured(drive.travel_per_rev_mm / 2))


def _open(verdict: str, next_: str) -> dict[str, Any]:
    return {"verdict": verdict, "next": next_, "proposal": None, "place_anew": False, "look": None}


def _as_json(found: Coupled) -> dict[str, Any]:
    return {
        "motors": {
            name: {"value": scale.value, "u": scale.u, "U": scale.U}
            for name, scale in (("a", found.a), ("b", found.b))
        },
        "difference": {"value": found.difference, "u": found.u_difference},
        "rotation_rad": found.rotation_rad,
        "apart": found.apart,
        "slanted": found.slanted,
    }
