"""One axis from its parts to a finding: what it is made of, the ladder, the readings.

The caliper's zero is read first and last: a zero that moved makes every reading doubtful.
"""

from __future__ import annotations

from tuner.card.schema import Axis, Card
from tuner.drive.scale import contradiction, form_words, plain_number
from tuner.messages import Ask, Checkpoint, Choose, Decided, Say, Value
from tuner.metrology.caliper import placed_limit_mm
from tuner.metrology.targets import over_travel_mm
from tuner.plans.ladder import climb
from tuner.plans.measure import measure
from tuner.plans.run import AxisRun, Part, hear

_ZERO_MOVED_MM = 0.03


def measure_axis(card: Card, axis: Axis, may_reference: bool, step: int, of: int) -> Part[AxisRun]:
    """Measure one axis; the result is its run, with the finding as data in ``run.finding``."""
    run = AxisRun(axis, card.caliper, grows=1 if axis.reading_grows == "plus" else -1)
    run.over_mm = over_travel_mm(0.0, float(axis.train.lost_cycle_mm))
    yield Checkpoint(
        key=f"{run.name}.parts",
        step=step,
        of=of,
        says=f"Axis {run.letter}: what it is made of, and where the caliper goes",
    )
    yield from _parts_in_words(run)
    yield from _place_caliper(run)
    zero_first_mm = yield from _zero(run, "zero-first")
    yield Checkpoint(
        key=f"{run.name}.ladder",
        step=step + 1,
        of=of,
        says=f"Axis {run.letter}: first moves, small and slow",
    )
    ended = yield from climb(run, may_reference)
    if ended is not None:
        run.finding = ended
        return run
    yield Checkpoint(
        key=f"{run.name}.measure",
        step=step + 2,
        of=of,
        says=f"Axis {run.letter}: measuring",
    )
    yield from measure(run)
    zero_last_mm = yield from _zero(run, "zero-last")
    # The hundredths of a display, and not of its binary form, decide.
    moved_mm = round(abs(zero_last_mm - zero_first_mm), 3)
    run.zero_moved = yield from hear(
        Decided(key=f"{run.name}.zero-moved", value=moved_mm > _ZERO_MOVED_MM)
    )
    if run.zero_moved:
        run.finding = {
            **run.finding,
            "verdict": "measure-again",
            "proposal": None,
            "next": (
                f"with closed jaws the caliper showed {zero_first_mm:.2f} mm before and "
                f"{zero_last_mm:.2f} mm after the readings: its zero moved. Clean the jaws, set "
                "zero, measure again"
            ),
        }
    return run


# --- before anything moves ----------------------------------------------------------------


def _parts_in_words(run: AxisRun) -> Part[None]:
    train, stored = run.axis.train, run.axis.stored
    yield Say(key=f"{run.name}.working", says=f"{run.letter}: {train.working()}")
    held = f"stored today: {plain_number(stored.value)} {form_words(stored.form)}"
    clash = contradiction(stored, train)
    yield Say(
        key=f"{run.name}.stored",
        says=f"{held}; {clash or 'that is what the parts give'}",
    )


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
            says="Is it placed by hand for each reading and taken out for every move, or clamped?",
        )
    )
    run.mounted = held == "mounted"


def _zero(run: AxisRun, which: str) -> Part[float]:
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
