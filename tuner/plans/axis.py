"""One axis from its parts to a finding: what it is made of, the ladder, the readings.

The caliper's zero is read first and last: a zero that moved makes every reading doubtful.
"""

from __future__ import annotations

import math
from functools import partial

from tuner.card.schema import Axis, Card
from tuner.drive.scale import contradiction, form_words, plain_number
from tuner.messages import Ask, Checkpoint, Choose, Decided, Say, Value
from tuner.metrology.caliper import placed_limit_mm
from tuner.metrology.targets import over_travel_mm
from tuner.plans.first_move import put_block_beside
from tuner.plans.ladder import climb
from tuner.plans.measure import finding_now, measure
from tuner.plans.recover import Contact, needs_no_machine, recover
from tuner.plans.run import AxisRun, Finding, Part, hear
from tuner.plans.vertical import read_other_screws, station_of

_ZERO_MOVED_MM = 0.03
_SAME_NUMBER = 1e-9  # relative: what is typed has no more digits


def run_of(card: Card, axis: Axis, *, quick: bool) -> AxisRun:
    """Return the run of an axis of which nothing is known yet."""
    run = AxisRun(
        axis,
        card.caliper,
        grows=1 if axis.reading_grows == "plus" else -1,
        hold_time_s=card.hold_time_s,
        quick=quick,
    )
    run.over_mm = over_travel_mm(0.0, float(axis.train.lost_cycle_mm))
    run.station = station_of(run)
    return run


def measure_axis(
    run: AxisRun, contact: Contact, may_reference: bool, step: int, of: int
) -> Part[AxisRun]:
    """Measure the axis of `run`; the result is that run, with the finding as data in it."""
    zero_first_mm = yield from contact.through(partial(prepare, run, step, of))
    ended = yield from contact.through(
        partial(climb_axis, run, contact, may_reference, step + 1, of)
    )
    if ended is None:
        ended = yield from contact.through(partial(_measure, run, contact, step + 2, of))
    if ended is not None:
        run.finding = ended
        return run
    zero_last_mm = yield from contact.through(partial(read_zero, run, "zero-last"))
    moved = has_moved(zero_first_mm, zero_last_mm)
    run.zero_moved = yield from contact.through(
        partial(hear, Decided(key=f"{run.name}.zero-moved", value=moved))
    )
    if run.zero_moved:
        run.finding = {**run.finding, **zero_moved(zero_first_mm, zero_last_mm)}
    elif run.finding["jumps"]:
        run.datum_look = "unmoved"
        run.finding = yield from contact.through(
            partial(hear, Decided(key=f"{run.name}.finding", value=finding_now(run, {})))
        )
    yield from read_other_screws(run, contact)
    return run


# --- moving, once more where it was cut off -----------------------------------------------


def climb_axis(
    run: AxisRun, contact: Contact, may_reference: bool, step: int, of: int
) -> Part[Finding | None]:
    """Climb the ladder, connecting anew after an interruption; the result as of ``climb``."""
    if not contact.is_made:
        yield from recover(run, contact)
    yield Checkpoint(
        key=f"{run.name}.ladder",
        step=step,
        of=of,
        says=f"Axis {run.letter}: first moves, small and slow",
    )
    return (yield from climb(run, may_reference))


def _measure(run: AxisRun, contact: Contact, step: int, of: int) -> Part[Finding | None]:
    if not contact.is_made:
        if run.climbed and (yield from needs_no_machine(measure(run))):
            return None
        yield from recover(run, contact)
        ended = yield from climb(run, may_reference=False)
        if ended is not None:
            return ended
    yield Checkpoint(
        key=f"{run.name}.measure",
        step=step,
        of=of,
        says=f"Axis {run.letter}: measuring",
    )
    yield from measure(run)
    return None


# --- before anything moves ----------------------------------------------------------------


def prepare(run: AxisRun, step: int, of: int) -> Part[float]:
    """Say what the axis is made of, place the caliper; the result is its zero in mm."""
    yield Checkpoint(
        key=f"{run.name}.parts",
        step=step,
        of=of,
        says=f"Axis {run.letter}: what it is made of, and where the caliper goes",
    )
    yield from parts_in_words(run)
    yield from put_block_beside(run)
    yield from _place_caliper(run)
    return (yield from read_zero(run, "zero-first"))


def parts_in_words(run: AxisRun) -> Part[None]:
    yield Say(key=f"{run.name}.working", says=f"{run.letter}: {run.axis.train.working()}")
    yield Say(key=f"{run.name}.stored", says=_stored_in_words(run))


def _stored_in_words(run: AxisRun) -> str:
    train, stored = run.axis.train, run.axis.stored
    number = f"{plain_number(stored.value)} {form_words(stored.form, train.unit)}"
    if run.to_be_typed is None:
        clash = contradiction(stored, train)
        return f"stored today: {number}; {clash or 'that is what the parts give'}"
    if math.isclose(run.to_be_typed, stored.value, rel_tol=_SAME_NUMBER):
        return f"the card says {number}, which is what the proposal said to type"
    return f"the card says {number}, the proposal said to type {run.to_be_typed:.9g}"


def _place_caliper(run: AxisRun) -> Part[None]:
    a = run.name
    place = yield from hear(
        Choose(
            key=f"{a}.caliper-place",
            options=("depth-rod", "inside-jaws", "outside-jaws"),
            default="depth-rod",
            says=(
                f"How will the caliper read {run.letter}? From one fixed face (the datum) to the "
                "carriage: with its depth rod, its inside jaws, or its outside jaws over two "
                "blocks. Never against nozzle or belt"
            ),
        )
    )
    run.error_limit_mm = placed_limit_mm(run.caliper.error_limit_mm, place)
    held = yield from hear(
        Choose(
            key=f"{a}.caliper-held",
            options=("placed", "mounted"),
            also=(("clamped", "mounted"), ("by hand", "placed")),
            says="Is it placed by hand for each reading and taken out for every move, or clamped?",
        )
    )
    run.mounted = held == "mounted"


def has_moved(zero_first_mm: float, zero_last_mm: float) -> bool:
    """Return whether the caliper's zero moved between two looks at its closed jaws."""
    # The hundredths of a display, and not of its binary form, decide.
    return round(abs(zero_last_mm - zero_first_mm), 3) > _ZERO_MOVED_MM


def zero_moved(zero_first_mm: float, zero_last_mm: float) -> Finding:
    """Return what of a finding is different where the caliper's zero has moved."""
    return {
        "verdict": "measure-again",
        "proposal": None,
        "next": (
            f"with closed jaws the caliper showed {zero_first_mm:.2f} mm before and "
            f"{zero_last_mm:.2f} mm after the readings: its zero moved. Clean the jaws, set "
            "zero, measure again"
        ),
    }


def read_zero(run: AxisRun, which: str) -> Part[float]:
    """Read what the caliper shows with closed jaws, in mm; `which` is first or last of a series."""
    question = Ask(
        key=f"{run.name}.{which}",
        axis=run.name,
        at_mm=0.0,
        approach="plus",
        n=0,
        low_mm=-1.0,
        high_mm=1.0,
        says="Clean the jaws and close them lightly: what does the caliper show?",
    )
    while True:
        reply = yield question
        if isinstance(reply, Value):
            return float(reply.value)
