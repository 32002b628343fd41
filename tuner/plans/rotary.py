"""An axis that turns: its degrees, from an index mark on its rim, over as many turns as are free.

Everything that is mm elsewhere is degrees here. The rules: 1 degree is watched by eye, 10 and 90
are read, then whole turns, each rung short enough that the turns between two readings are beyond
doubt. A cable that winds up ends the way as a wall does.
"""

from __future__ import annotations

from functools import partial
from typing import Any

from tuner.messages import (
    Again,
    Approach,
    Approached,
    Ask,
    Checkpoint,
    Confirm,
    Decided,
    Say,
    Value,
)
from tuner.metrology.fit import Fit, fit
from tuner.metrology.reading import Reading
from tuner.metrology.rotary import MARK_STEP_DEG, index_scale, unwrapped
from tuner.metrology.unmeasured import without_fit
from tuner.metrology.verdict import decide, scale_bounds
from tuner.plans.axis import parts_in_words
from tuner.plans.bounds import learn
from tuner.plans.first_move import first_move
from tuner.plans.ladder import holds
from tuner.plans.readings import left_in_pairs
from tuner.plans.recover import Contact
from tuner.plans.run import AxisRun, Finding, Part, Stop, hear

__all__ = ["measure_rotary"]

_RUNGS_DEG = (10.0, 90.0)
_TURN_DEG = 360.0
# What a rung may be off by besides the scale: a mark read wrongly, and play, in degrees.
_MISREAD_DEG, _PLAY_DEG = 0.5, 1.5
# Near, far, far, near, from both sides: play and scale stay apart, a steady drift cancels.
_ORDER: tuple[tuple[int, Approached], ...] = (
    (0, "plus"), (1, "plus"), (1, "minus"), (0, "minus"), (0, "plus"), (1, "plus"),
)  # fmt: skip
_ONCE_A_TURN = "whole turns cancel what rises and falls once per turn: it is not seen"
_MARK_ANEW = "draw the index mark anew at another place of the rim, and measure a second time"


def measure_rotary(run: AxisRun, contact: Contact, step: int, of: int) -> Part[AxisRun]:
    """Measure an axis that turns; the result is its run, with its finding. It takes three steps."""
    yield from contact.through(partial(_prepare, run, step, of))
    ended = yield from contact.through(partial(_climb, run, contact, step + 1, of))
    if ended is None:
        ended = yield from contact.through(partial(_measure, run, contact, step + 2, of))
    if ended is None:
        run.judge = _finding
        ended = yield from contact.through(
            partial(hear, Decided(key=f"{run.name}.finding", value=_finding(run)))
        )
    run.finding = ended
    return run


def _prepare(run: AxisRun, step: int, of: int) -> Part[None]:
    a = run.name
    yield Checkpoint(
        key=f"{a}.parts",
        step=step,
        of=of,
        says=f"Axis {run.letter}: what it is made of, and where its index mark goes",
    )
    yield from parts_in_words(run)
    while not (
        yield from hear(
            Confirm(
                key=f"{a}.mark-drawn",
                says=(
                    f"{run.letter} turns, and is read from an index mark: a fine line on its rim, "
                    "against a line on the frame with a scale of degrees beside it, 0 where both "
                    "meet now. Nothing may wind up that does not give way. Are both drawn?"
                ),
            )
        )
    ):
        yield Say(key=f"{a}.mark-first", says="Nothing moves before that is so; or stop")


# --- the ladder -----------------------------------------------------------------------------


def _climb(run: AxisRun, contact: Contact, step: int, of: int) -> Part[Finding | None]:
    yield from _again(run, contact)
    yield Checkpoint(
        key=f"{run.name}.ladder",
        step=step,
        of=of,
        says=f"Axis {run.letter}: first moves, small and slow",
    )
    return (yield from _rungs(run))


def _again(run: AxisRun, contact: Contact) -> Part[None]:
    if not contact.is_made:
        yield from contact.make_again()
        run.visit += bool(run.readings)


def _rungs(run: AxisRun) -> Part[Finding | None]:
    run.climbed = False
    ended = yield from first_move(run)
    if ended is None:
        ended = yield from holds(run)
    if ended is not None:
        return ended
    start = yield from _read(run, 0, 0.0, "plus", 0.0)
    for rung_deg in _RUNGS_DEG:
        minus, plus = _free_deg(run)
        side = yield from hear(
            Decided(key=f"{run.name}.side", value=1.0 if plus >= minus else -1.0)
        )
        to_deg = yield from hear(
            Decided(key=f"{run.name}.rung", value=round(side * min(rung_deg, max(minus, plus)), 2))
        )
        if abs(to_deg) < rung_deg:
            return _no_room(run)
        middle = (run.scale_low + run.scale_high) / 2.0
        reading = yield from _read(run, 0, to_deg, "plus", start.reading_mm + middle * to_deg)
        bounds = scale_bounds(
            start.reading_mm,
            reading.reading_mm,
            to_deg,
            play_mm=_PLAY_DEG,
            misreading_mm=_MISREAD_DEG,
        )
        wrong_way = (reading.reading_mm - start.reading_mm) * to_deg <= 0.0
        if (yield from hear(Decided(key=f"{run.name}.wrong-way", value=wrong_way))):
            return without_fit(
                verdict="measure-again",
                axis=run.name,
                n=len(run.readings),
                next=(
                    f"the eye saw {run.letter} go the right way and the mark did not: read angles "
                    "that grow when it turns to plus as plus, and start again"
                ),
            )
        yield from learn(run, direction_seen=True, factor=bounds)
    run.climbed = True
    return None


def _free_deg(run: AxisRun) -> tuple[float, float]:
    """Return how many commanded degrees are free to minus and to plus from the origin."""
    minus, plus = (side / run.scale_high - run.over_mm for side in (-run.minus_mm, run.plus_mm))
    return max(0.0, minus - 0.01), max(0.0, plus - 0.01)


def _no_room(run: AxisRun) -> Finding:
    return without_fit(
        verdict="cannot-tell",
        axis=run.name,
        n=len(run.readings),
        next=(
            f"{run.letter} has {-run.minus_mm:g} degrees to minus and {run.plus_mm:g} to plus: too "
            "little to measure with. Free what holds it, turn it to the middle, and start again"
        ),
    )


# --- the readings ---------------------------------------------------------------------------


def _measure(run: AxisRun, contact: Contact, step: int, of: int) -> Part[Finding | None]:
    if not contact.is_made:
        if run.climbed and not _left(run):
            return None
        yield from _again(run, contact)
        ended = yield from _rungs(run)
        if ended is not None:
            return ended
    a = run.name
    yield Checkpoint(key=f"{a}.measure", step=step, of=of, says=f"Axis {run.letter}: measuring")
    ends = yield from hear(Decided(key=f"{a}.ends", value=_ends_deg(run)))
    if ends[1] - ends[0] < _TURN_DEG / 4.0:
        return _no_room(run)
    yield Say(
        key=f"{a}.plan",
        says=(
            f"{len(_ORDER)} readings of the mark, at {ends[0]:.1f} and {ends[1]:.1f} degrees from "
            f"where {run.letter} stood, from both sides"
        ),
    )
    for place in _left(run):
        end, approach = _ORDER[place - 1]
        yield from _read(run, place, ends[end], approach, _expected_deg(run, ends[end]))
    return None


def _left(run: AxisRun) -> list[int]:
    placed = zip(run.stops, run.readings, strict=True)
    there = [reading for stop, reading in placed if stop.place]
    return left_in_pairs(there, run.visit, len(_ORDER))


def _ends_deg(run: AxisRun) -> list[float]:
    """Return the ends, as many whole turns apart as are free, about the middle of the way."""
    minus, plus = _free_deg(run)
    turns = (minus + plus) // _TURN_DEG
    if not turns:
        return [-minus, plus]
    spare = minus + plus - turns * _TURN_DEG
    low = -min(minus, max(minus - spare / 2.0, 0.0))
    return [low, low + turns * _TURN_DEG]


def _expected_deg(run: AxisRun, to_deg: float) -> float:
    here = [one for one in run.readings if one.visit == run.visit]
    first = here[0]
    furthest = max(here, key=lambda one: abs(one.commanded_mm - first.commanded_mm))
    slope = (furthest.reading_mm - first.reading_mm) / (furthest.commanded_mm - first.commanded_mm)
    return first.reading_mm + slope * (to_deg - first.commanded_mm)


def _read(
    run: AxisRun, place: int, to_deg: float, approach: Approached, expected_deg: float
) -> Part[Reading]:
    """Turn to a place, read the mark, and return the whole angle turned."""
    fresh = False
    expected_deg = yield from hear(Decided(key=f"{run.name}.expected", value=expected_deg))
    feed = (
        run.axis.feed_mm_per_min
        if run.scale_high <= 2.0 * run.scale_low
        else run.slow_feed_mm_per_min()
    )
    while True:
        yield Approach(
            key=f"{run.name}.place.{place}",
            axis=run.name,
            to_mm=to_deg,
            approach=approach,
            over_mm=run.over_mm,
            feed_mm_per_min=feed,
            fresh=fresh,
        )
        reply = yield Ask(
            key=f"{run.name}.index",
            axis=run.name,
            at_mm=to_deg,
            approach=approach,
            n=run.next_n,
            low_mm=-180.0,
            high_mm=180.0,
            unit="deg",
            visit=run.visit,
            says="How many degrees is the index mark off its line, plus the way the axis counts?",
        )
        fresh = True
        match reply:
            case Value():
                angle_deg = unwrapped(reply.value, expected_deg)
                reading = Reading(
                    to_deg, angle_deg, approach, n=run.next_n, visit=run.visit, time_s=reply.at_s
                )
                run.readings.append(reading)
                run.stops.append(Stop(f"{run.name}.index", to_deg, approach, feed, place=place))
                return reading
            case Again():
                continue


# --- what it means --------------------------------------------------------------------------


def _fitted(run: AxisRun) -> Fit:
    return fit(run.readings, grows=1, resolution_mm=MARK_STEP_DEG)


def _finding(run: AxisRun) -> Finding:
    """Return the finding of what the mark showed, with lengths for degrees."""
    axis, found = run.axis, _fitted(run)
    if found.scale <= 0.0:
        return without_fit(
            verdict="measure-again",
            axis=run.name,
            n=len(run.readings),
            next=f"the mark did not follow {run.letter}: look whether the table slips, start again",
        )
    said = decide(
        index_scale(found),
        axis.train,
        axis.stored,
        fit=found,
        axis_length_mm=axis.length_mm,
        looks=run.looks,
    )
    finding: dict[str, Any] = said.as_json(file=None, axis=run.name)
    finding["unit"] = run.unit
    finding["not_tested"] = {**finding["not_tested"], "periodic": _ONCE_A_TURN}
    for cause in finding["causes"]:
        if cause["name"] == "not-listed":
            cause["check"] = _MARK_ANEW
    if finding["place_anew"]:
        finding["next"] = (
            f"the scale is {said.scale.value:.5f} ± {said.scale.U:.5f} and no usual part explains "
            f"it: {_MARK_ANEW}"
        )
    return finding
