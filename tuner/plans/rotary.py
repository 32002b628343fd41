"""An axis that turns: its degrees, by whole turns of an index mark or at a radius by chords.

The rules: 1 degree is watched by eye, then short rungs are read, then as far as is free. Whole
turns are the better way, since what a mark is read wrong by stays while the angle grows; where the
card or what is free forbids them, the axis is read at a radius.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial

from tuner.messages import Checkpoint, Choose, Decided, Say
from tuner.metrology.verdict import scale_bounds
from tuner.plans.axis import parts_in_words
from tuner.plans.bounds import learn
from tuner.plans.first_move import first_move
from tuner.plans.ladder import holds
from tuner.plans.readings import left_in_pairs
from tuner.plans.recover import Contact
from tuner.plans.rotary_chord import ByChord
from tuner.plans.rotary_index import TURN_DEG, ByIndex
from tuner.plans.rotary_way import Place, Way, expected_deg, has_no_room, read
from tuner.plans.run import AxisRun, Finding, Part, hear

__all__ = ["measure_rotary"]

_INDEX, _RADIUS = "index", "radius"
# What a rung may be off by besides the scale: a mark read wrongly, and play, in degrees.
_MISREAD_DEG, _PLAY_DEG = 0.5, 1.5


@dataclass
class _Table:
    """A turning axis while it is being measured, and the way it is read, once that is known."""

    run: AxisRun
    way: Way = field(default_factory=ByIndex)
    is_chosen: bool = False
    is_ready: bool = False


def measure_rotary(run: AxisRun, contact: Contact, step: int, of: int) -> Part[AxisRun]:
    """Measure an axis that turns; the result is its run, with its finding. It takes three steps."""
    table = _Table(run)
    yield from contact.through(partial(_prepare, table, step, of))
    ended = yield from contact.through(partial(_climb, table, contact, step + 1, of))
    if ended is None:
        ended = yield from contact.through(partial(_measure, table, contact, step + 2, of))
    if ended is None:
        last = yield from contact.through(partial(table.way.end, run))
        run.judge = lambda one: table.way.finding(one) | last
        ended = yield from contact.through(
            partial(hear, Decided(key=f"{run.name}.finding", value=run.judge(run)))
        )
    run.finding = ended
    return run


def _prepare(table: _Table, step: int, of: int) -> Part[None]:
    run = table.run
    yield Checkpoint(
        key=f"{run.name}.parts",
        step=step,
        of=of,
        says=f"Axis {run.letter}: what it is made of, and how its angle is read",
    )
    yield from parts_in_words(run)
    if not table.is_chosen:
        if (yield from _chosen(run)) == _RADIUS:
            table.way = ByChord()
        table.is_chosen = True
    yield from _get_ready(table)


def _get_ready(table: _Table) -> Part[None]:
    if not table.is_ready:
        yield from table.way.get_ready(table.run)
        table.is_ready = True


def _chosen(run: AxisRun) -> Part[str]:
    """Ask how the angle is read; the card may leave no choice."""
    a, range_deg = run.name, run.axis.length_mm
    if range_deg < TURN_DEG:
        yield Say(
            key=f"{a}.no-whole-turn",
            says=(
                f"The card gives {run.letter} {range_deg:g} degrees, less than a whole turn, so an "
                "index mark cannot come back to its line"
            ),
        )
        return _RADIUS
    return str(
        (
            yield from hear(
                Choose(
                    key=f"{a}.read-how",
                    options=(_INDEX, _RADIUS),
                    default=_INDEX,
                    says=(
                        f"How is the angle of {run.letter} read? index: by a mark on its rim that "
                        "comes back to a line after whole turns, the better way wherever at least "
                        "one turn is free. radius: by the caliper, from a fixed pointer to a mark "
                        "on the table, where it cannot turn that far"
                    ),
                )
            )
        )
    )


# --- the ladder -----------------------------------------------------------------------------


def _climb(table: _Table, contact: Contact, step: int, of: int) -> Part[Finding | None]:
    run = table.run
    yield from _again(run, contact)
    yield Checkpoint(
        key=f"{run.name}.ladder",
        step=step,
        of=of,
        says=f"Axis {run.letter}: first moves, small and slow",
    )
    return (yield from _rungs(table))


def _again(run: AxisRun, contact: Contact) -> Part[None]:
    if not contact.is_made:
        yield from contact.make_again()
        run.visit += bool(run.readings)


def _rungs(table: _Table) -> Part[Finding | None]:
    run = table.run
    run.climbed = False
    ended = yield from first_move(run)
    if ended is None:
        ended = yield from holds(run)
    if ended is not None:
        return ended
    yield from _settle_the_way(table)
    way = table.way
    yield from way.begin(run)
    for rung_deg in way.rungs_deg:
        to_deg = yield from _rung_deg(table, rung_deg)
        if abs(to_deg) < way.least_deg(rung_deg):
            return has_no_room(run)
        for part in way.rung_parts:
            at: Place = (to_deg * part, "plus")
            middle = (run.scale_low + run.scale_high) / 2.0
            reading = yield from read(run, way, 0, at, way.start_deg + middle * at[0])
            ended = yield from way.contradicts(run)
            if ended is not None:
                return ended
        low, high = scale_bounds(
            way.start_deg,
            reading.reading_mm,
            to_deg,
            play_mm=_PLAY_DEG,
            misreading_mm=_MISREAD_DEG,
        )
        yield from learn(run, direction_seen=True, factor=(low, max(high, way.least_high)))
    run.climbed = True
    return None


def _settle_the_way(table: _Table) -> Part[None]:
    """Read at a radius where what is free forbids whole turns; get ready for it."""
    run = table.run
    free_deg = run.plus_mm - run.minus_mm
    if isinstance(table.way, ByIndex) and free_deg < TURN_DEG and not run.readings:
        yield Say(
            key=f"{run.name}.no-whole-turn",
            says=(
                f"{run.letter} has {free_deg:g} degrees free, less than a whole turn: an index "
                "mark does not come back to its line, so the angle is read at a radius"
            ),
        )
        table.way, table.is_ready = ByChord(), False
    yield from _get_ready(table)


def _rung_deg(table: _Table, rung_deg: float) -> Part[float]:
    """Return how far that rung goes, to the side with more room."""
    run = table.run
    minus, plus = table.way.room_deg(run)
    side = yield from hear(Decided(key=f"{run.name}.side", value=1.0 if plus >= minus else -1.0))
    to_deg = round(side * min(rung_deg, max(minus, plus)), 2)
    return float((yield from hear(Decided(key=f"{run.name}.rung", value=to_deg))))


# --- the readings ---------------------------------------------------------------------------


def _measure(table: _Table, contact: Contact, step: int, of: int) -> Part[Finding | None]:
    run, way = table.run, table.way
    if not contact.is_made:
        if run.climbed and not _left(run, way.readings):
            return None
        yield from _again(run, contact)
        ended = yield from _rungs(table)
        if ended is not None:
            return ended
    a = run.name
    yield Checkpoint(key=f"{a}.measure", step=step, of=of, says=f"Axis {run.letter}: measuring")
    planned = yield from hear(Decided(key=f"{a}.places", value=[*map(list, way.places(run))]))
    places: list[Place] = [(to_deg, approach) for to_deg, approach in planned]
    if not places:
        return has_no_room(run)
    yield Say(key=f"{a}.plan", says=way.in_words(run, places))
    for number in _left(run, len(places)):
        at = places[number - 1]
        yield from read(run, way, number, at, expected_deg(run, at[0]))
    return None


def _left(run: AxisRun, count: int) -> list[int]:
    placed = zip(run.stops, run.readings, strict=True)
    there = [reading for stop, reading in placed if stop.place]
    return left_in_pairs(there, run.visit, count)
