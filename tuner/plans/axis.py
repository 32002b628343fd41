"""One axis from its parts to a finding: what it is made of, the ladder, the readings.

Two stages, as few readings as the question needs: first enough to name a part; only for a
measured value on to the wanted uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from tuner.card.schema import Axis, Card
from tuner.drive.scale import contradiction, form_words, plain_number
from tuner.messages import Ask, Checkpoint, Choose, Decided, Say, Value
from tuner.metrology.causes import Looked
from tuner.metrology.targets import over_travel_mm, plan_targets
from tuner.metrology.verdict import decide
from tuner.plans.bounds import free_mm
from tuner.plans.ladder import climb
from tuner.plans.readings import fitted, scale_so_far, take_reading
from tuner.plans.run import AxisRun, Part, Stop, hear

_INSIDE_OR_ROD_EXTRA_MM = 0.02
_EXPECTED_WITHIN_MM = 3.0
_STAGE_ONE = 4
_ROUGHLY_RIGHT = (0.9, 1.1)
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
    yield from _measure(run)
    zero_last_mm = yield from _zero(run, "zero-last")
    run.zero_moved = abs(zero_last_mm - zero_first_mm) > _ZERO_MOVED_MM
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
    run.error_limit_mm = run.caliper.error_limit_mm
    if place != "outside-jaws":
        run.error_limit_mm += _INSIDE_OR_ROD_EXTRA_MM
    held = yield from hear(
        Choose(
            key=f"{a}.caliper-held",
            options=("placed", "mounted"),
            default="placed",
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


# --- readings -----------------------------------------------------------------------------


def _measure(run: AxisRun) -> Part[None]:
    a = run.name
    targets = yield from hear(Decided(key=f"{a}.targets", value=_targets(run)))
    yield Say(key=f"{a}.plan", says=_plan_in_words(run, targets))
    for done, (to_mm, approach) in enumerate(targets):
        cluster = "near" if done % 4 in (0, 3) else "far"
        expected = yield from hear(Decided(key=f"{a}.expected", value=_expected_mm(run, to_mm)))
        stop = Stop(
            f"{a}.{cluster}.{done // 2 + 1}",
            to_mm,
            approach,
            run.axis.feed_mm_per_min,
            expected,
            _EXPECTED_WITHIN_MM,
        )
        yield from take_reading(run, stop)
        if done + 1 == _STAGE_ONE:
            now = finding_now(run, {})
            known = yield from hear(Decided(key=f"{a}.value-known", value=now["value_known"]))
            if known:
                break
            yield Say(
                key=f"{a}.goes-on",
                says="No part explains this yet; more readings make the value surer",
            )
    run.finding = yield from hear(Decided(key=f"{a}.finding", value=finding_now(run, {})))


def _targets(run: AxisRun) -> list[list[Any]]:
    last = run.readings[-1]
    at_mm, over_mm = last.commanded_mm, run.over_mm
    # Whole millimetres at the ends, so that a person can follow the places on a ruler.
    low = math.ceil(at_mm - free_mm(run, at_mm, last.reading_mm, -1.0)) - over_mm
    high = math.floor(at_mm + free_mm(run, at_mm, last.reading_mm, 1.0)) + over_mm
    targets = plan_targets(
        run.axis.train,
        run.axis.stored,
        reach=(low, high),
        over_mm=over_mm,
        near="low" if run.grows > 0 else "high",
        even_turns=not (_ROUGHLY_RIGHT[0] <= run.scale_low and run.scale_high <= _ROUGHLY_RIGHT[1]),
    )
    return [[round(one.commanded_mm, 4), one.approach] for one in targets]


def _plan_in_words(run: AxisRun, targets: list[list[Any]]) -> str:
    places = ", ".join(f"{to_mm:.1f}" for to_mm, _ in targets[:_STAGE_ONE])
    return (
        f"{_STAGE_ONE} readings first, at {places} mm from where {run.letter} stood; up to "
        f"{len(targets)} if no part explains them. Light, equal pressure at every reading"
    )


def _expected_mm(run: AxisRun, to_mm: float) -> float:
    """Return what the caliper should show at `to_mm`, going by the readings so far."""
    first, last = run.readings[0], run.readings[-1]
    pairs = [one for one in run.readings if abs(one.commanded_mm - first.commanded_mm) > 1.0]
    other = max(pairs or [last], key=lambda one: abs(one.commanded_mm - first.commanded_mm))
    slope = (other.reading_mm - first.reading_mm) / (other.commanded_mm - first.commanded_mm)
    return first.reading_mm + slope * (to_mm - first.commanded_mm)


def finding_now(run: AxisRun, looks: Mapping[str, Looked]) -> dict[str, Any]:
    """Return the finding from the readings so far, as data; `looks` says what was seen."""
    so_far = fitted(run)
    low_mm, high_mm = run.axis.range_mm
    finding = decide(
        scale_so_far(run, so_far),
        run.axis.train,
        run.axis.stored,
        axis_length_mm=high_mm - low_mm,
        fit=so_far,
        looks=looks,
    )
    return finding.as_json(file=None, axis=run.name)
