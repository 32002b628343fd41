"""The readings of one axis: where, in which order, when to stop, and a second placing.

Two stages, as few readings as the question needs: four to name a part, and only for a
measured value on, reading by reading. A measured value counts when the caliper was placed
twice and both placings agree.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import partial
from itertools import combinations
from statistics import median
from typing import Any

from tuner.errors import InputFault
from tuner.messages import Choose, Confirm, Decided, Say
from tuner.metrology.causes import Looked
from tuner.metrology.examination import agreeing_placings
from tuner.metrology.reading import Reading
from tuner.metrology.targets import plan_targets
from tuner.metrology.unmeasured import without_fit
from tuner.metrology.verdict import decide
from tuner.plans.bounds import free_mm
from tuner.plans.readings import fitted, scale_so_far, take_reading
from tuner.plans.run import AxisRun, Finding, Part, Stop, hear

_EXPECTED_WITHIN_MM = 3.0
_STAGE_ONE = 4
_WELL_KNOWN = 2.0
_DISAGREE = (
    "the two placings do not agree: see what tilts or gives where the caliper sits, clean and "
    "seat it the same way every time, and start again"
)
_ROUGHLY_RIGHT = (0.9, 1.1)


def measure(run: AxisRun) -> Part[None]:
    """Read as many places as the finding needs; it is in ``run.finding`` then."""
    a = run.name
    targets = yield from hear(Decided(key=f"{a}.targets", value=_targets(run)))
    if isinstance(targets, str):
        run.finding = without_fit(verdict="cannot-tell", axis=a, n=len(run.readings), next=targets)
        return
    yield Say(key=f"{a}.plan", says=_plan_in_words(run, targets))
    yield from _placing(run, targets)
    if run.finding["place_anew"]:
        placed = yield from hear(
            Confirm(
                key=f"{a}.place-anew",
                says=(
                    f"{run.letter} may need a measured number. That takes a second placing: take "
                    "the caliper and what it reads from away, place both anew, and measure once "
                    "more. Has it been placed anew?"
                ),
            )
        )
        if placed:
            run.visit += 1
            run.settled = len(run.readings)
            yield from _placing(run, targets)
            if run.finding["place_anew"]:
                run.finding = {**run.finding, "next": _DISAGREE}


def _placing(run: AxisRun, targets: list[list[Any]]) -> Part[None]:
    a = run.name
    for done, (to_mm, approach) in enumerate(targets, 1):
        cluster = "near" if done % 4 in (0, 1) else "far"
        stop = Stop(
            f"{a}.{cluster}.{(done + 1) // 2}",
            to_mm,
            approach,
            _feed_mm_per_min(run),
            _EXPECTED_WITHIN_MM,
            partial(_expected_mm, to_mm=to_mm),
        )
        yield from take_reading(run, stop)
        if (yield from _was_touched(run, to_mm)):
            run.finding = without_fit(
                verdict="measure-again",
                axis=a,
                n=len(run.readings),
                next="the carriage may have moved by hand: declare its free travel and start again",
            )
            return
        if done < _STAGE_ONE:
            continue
        now = finding_now(run, {})
        known = yield from hear(Decided(key=f"{a}.value-known", value=now["value_known"]))
        if known:
            break
        if done == _STAGE_ONE:
            yield Say(
                key=f"{a}.goes-on",
                says="No part explains this yet; more readings make the value surer",
            )
    run.finding = yield from hear(Decided(key=f"{a}.finding", value=finding_now(run, {})))


def _feed_mm_per_min(run: AxisRun) -> float:
    """The card's feed, once the readings bound the scale well enough for it."""
    well_known = run.scale_high <= _WELL_KNOWN * run.scale_low
    return run.axis.feed_mm_per_min if well_known else run.slow_feed_mm_per_min()


def _was_touched(run: AxisRun, to_mm: float) -> Part[bool]:
    """After a reading that nothing explains, ask whether the axis was moved by hand."""
    *before, last = run.readings
    expected_mm = _expected_mm(run, to_mm, before)
    off_mm = 0.0 if expected_mm is None else abs(last.reading_mm - expected_mm)
    unexplained = yield from hear(
        Decided(key=f"{run.name}.unexplained", value=off_mm > _EXPECTED_WITHIN_MM)
    )
    if not unexplained:
        return False
    touched = yield from hear(
        Choose(
            key=f"{run.name}.touched",
            options=("yes", "no", "unsure"),
            says="Nothing explains that reading. Was the power off, or was the carriage touched?",
        )
    )
    return bool(touched != "no")


def _targets(run: AxisRun) -> list[list[Any]] | str:
    """Return the places to read and their approach, or in words why there is no room."""
    last = run.readings[-1]
    at_mm, over_mm = last.commanded_mm, run.over_mm
    # Whole millimetres at the ends, so that a person can follow the places on a ruler.
    low = math.ceil(at_mm - free_mm(run, at_mm, last.reading_mm, -1.0)) - over_mm
    high = math.floor(at_mm + free_mm(run, at_mm, last.reading_mm, 1.0)) + over_mm
    roughly_right = _ROUGHLY_RIGHT[0] <= run.scale_low and run.scale_high <= _ROUGHLY_RIGHT[1]
    try:
        targets = plan_targets(
            run.axis.train,
            run.axis.stored,
            reach=(low, high),
            over_mm=over_mm,
            near="low" if run.grows > 0 else "high",
            even_turns=not roughly_right,
        )
    except InputFault as reason:
        return str(reason)
    return [[round(one.commanded_mm, 4), one.approach] for one in targets]


def _plan_in_words(run: AxisRun, targets: list[list[Any]]) -> str:
    places = ", ".join(f"{to_mm:.1f}" for to_mm, _ in targets[:_STAGE_ONE])
    return (
        f"{_STAGE_ONE} readings first, at {places} mm from where {run.letter} stood; up to "
        f"{len(targets)} if no part explains them. Light, equal pressure at every reading"
    )


def _expected_mm(
    run: AxisRun, to_mm: float, readings: Sequence[Reading] | None = None
) -> float | None:
    """Return what the caliper should show at `to_mm`, or None before it was read from there.

    Medians of all slopes and offsets, which no single misreading moves far (Theil 1950).
    """
    readings = run.readings if readings is None else readings
    here = [one for one in readings if one.visit == run.visit]
    if not here:
        return None
    first_placing = [one for one in readings if one.visit == readings[0].visit]
    slope = median(
        (other.reading_mm - one.reading_mm) / (other.commanded_mm - one.commanded_mm)
        for one, other in combinations(first_placing, 2)
        if other.commanded_mm != one.commanded_mm
    )
    return median(one.reading_mm + slope * (to_mm - one.commanded_mm) for one in here)


# --- what the readings say ----------------------------------------------------------------


def finding_now(run: AxisRun, looks: Mapping[str, Looked]) -> Finding:
    """Return the finding from the readings so far, as data; `looks` says what was seen."""
    so_far = fitted(run, run.readings)
    low_mm, high_mm = run.axis.range_mm
    finding = decide(
        scale_so_far(run, so_far),
        run.axis.train,
        run.axis.stored,
        axis_length_mm=high_mm - low_mm,
        fit=so_far,
        setups=agreeing_placings(
            run.readings, lambda placing: scale_so_far(run, fitted(run, placing))
        ),
        looks=looks,
    )
    return finding.as_json(file=None, axis=run.name)
