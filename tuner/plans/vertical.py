"""What is different where an axis goes up and down: it can drop, it hides play, it has screws.

The rules: something that bears its weight stands under it before it moves, and this program never
takes the current off its motors. Its weight keeps the nut on one flank of the thread, so play is
not seen and is not said to be zero. Where several screws carry it each is read, for a frame that
racks goes wrong at one end only.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from typing import Any

from tuner.drive.parts import Screw
from tuner.messages import Confirm, Decided, Say
from tuner.metrology.fit import Fit
from tuner.plans.bounds import free_mm
from tuner.plans.ladder import climb
from tuner.plans.measure import finding_now
from tuner.plans.readings import fitted, take_reading
from tuner.plans.recover import Contact, recover
from tuner.plans.run import AxisRun, Finding, Part, Stop, hear

__all__ = ["read_other_screws", "station_of"]

_SURE_U = 3.0
_LEAST_BASE_MM = 10.0
# A frame bends this much without harm, and a hand reads no better (common practice, no source).
_RACKS_MM = 0.1
_SAME_PLACE_MM = 0.3
_LAST = "near.2"


def station_of(run: AxisRun) -> str:
    """Return the place to read first where several screws carry an axis, else nothing."""
    several = isinstance(run.axis.train.drive, Screw) and run.axis.motors > 1
    return "screw-1" if several else ""


def read_other_screws(run: AxisRun, contact: Contact) -> Part[None]:
    """Read the axis at each of its other screws, and see that they turn alike.

    Where they do not, that is the finding, whatever the number.
    """
    if not run.station or run.finding["scale"] is None or run.zero_moved:
        return
    first = fitted(run, run.readings)
    screws = [_as_data("screw-1", first)]
    n = run.next_n
    for number in range(2, run.axis.motors + 1):
        beside = replace(
            run,
            station=f"screw-{number}",
            visit=run.visit + number - 1,
            first_n=n,
            readings=[],
            stops=[],
            withdrawn=[],
            same_twice=set(),
            repeats=[],
            settled=0,
        )
        yield from contact.through(partial(_read_screw, run, beside, contact))
        n = beside.next_n
        if len(beside.readings) >= 2:
            screws.append(_as_data(beside.station, fitted(beside, beside.readings)))
    screws = yield from contact.through(
        partial(hear, Decided(key=f"{run.name}.screws", value=screws))
    )
    run.judge = partial(_with_screws, screws)
    run.finding = yield from contact.through(
        partial(hear, Decided(key=f"{run.name}.finding", value=run.judge(run)))
    )


def _read_screw(run: AxisRun, beside: AxisRun, contact: Contact) -> Part[None]:
    """Read near, far, far, near; after an interruption what is missing."""
    if any(one.key.endswith(_LAST) for one in beside.stops):
        return
    yield from _placed(beside)
    if not contact.is_made:
        yield from recover(beside, contact)
        if (yield from climb(beside, may_reference=False)) is not None:
            return
        here_mm = beside.readings[-1].commanded_mm
    else:
        here_mm = run.stops[-1].to_mm
        yield from take_reading(beside, _stop(beside, "near.1", here_mm))
    far_mm = yield from hear(
        Decided(key=f"{run.name}.screw-far", value=_far_mm(run, beside, here_mm))
    )
    if abs(far_mm - here_mm) < _LEAST_BASE_MM:
        yield Say(
            key=f"{run.name}.{beside.station}.no-room",
            says="There is too little room to read this screw; it is not tested",
        )
        beside.readings.clear()
        return
    for key, to_mm in (("far.1", far_mm), ("far.2", far_mm), (_LAST, here_mm)):
        yield from take_reading(beside, _stop(beside, key, to_mm))


def _placed(beside: AxisRun) -> Part[None]:
    while not (
        yield from hear(
            Confirm(
                key=f"{beside.name}.{beside.station}.placed",
                says=(
                    f"Screws that carry {beside.letter} together must turn alike. Move the caliper "
                    f"and what it reads from to {beside.station.replace('-', ' ')}, the same way "
                    "round. Is that done?"
                ),
            )
        )
    ):
        yield Say(
            key=f"{beside.name}.{beside.station}.placed-first",
            says="Nothing goes on before that is so; or stop",
        )


def _stop(beside: AxisRun, key: str, to_mm: float) -> Stop:
    return Stop(
        f"{beside.read_at}.{key}",
        to_mm,
        "plus",
        beside.slow_feed_mm_per_min(),
        _SAME_PLACE_MM,
        partial(_read_there, to_mm=to_mm),
    )


def _read_there(beside: AxisRun, to_mm: float) -> float | None:
    there = [
        one.reading_mm
        for one in beside.readings
        if one.visit == beside.visit and one.commanded_mm == to_mm
    ]
    return there[0] if there else None


def _far_mm(run: AxisRun, beside: AxisRun, here_mm: float) -> float:
    """Return the end of the measured reach that is further away, as far as the caliper follows."""
    places = [one.commanded_mm for one in run.readings]
    end_mm = max(places, key=lambda one: abs(one - here_mm))
    side = 1.0 if end_mm > here_mm else -1.0
    free = free_mm(beside, here_mm, beside.readings[-1].reading_mm, side)
    return round(here_mm + side * min(abs(end_mm - here_mm), free), 4)


def _as_data(station: str, found: Fit) -> dict[str, Any]:
    return {
        "screw": station,
        "scale": found.scale,
        "u": found.u_scale,
        "span_mm": abs(found.span_mm),
    }


def _with_screws(screws: list[dict[str, Any]], run: AxisRun) -> Finding:
    """Return the finding of the axis with its `screws`, which is theirs where they differ."""
    finding: Finding = {**finding_now(run, run.looks), "screws": screws}
    first, *others = screws
    why = ""
    if len(others) < run.axis.motors - 1:
        why = "not every screw was read, so whether they turn alike is not known"
    loose = any(one["name"] == "loose-pulley" for one in finding["causes"])
    if finding["jumps"] or finding["suspect_readings"] or loose:
        why, others = "the readings at the first screw contradict each other", []
    if why:
        finding["not_tested"] = {**finding["not_tested"], "screws": why}
    unlike = [one for one in others if _differ(first, one)]
    if not unlike:
        return finding
    said = "; ".join(
        f"{one['screw'].replace('-', ' ')} goes {one['scale']:.4f} ± {2.0 * one['u']:.4f}"
        for one in (first, *unlike)
    )
    check = (
        "power off and unplugged, the axis blocked: compare pitch and starts of the screws, their "
        "couplings and the gears of their motors"
    )
    cause = {
        "name": "screw-lead",
        "p": 1.0,
        "odds": None,
        "says": f"the screws do not turn alike: {said} of what they are told, so the axis racks",
        "check": check,
        "looks": [],
    }
    return finding | {
        "verdict": "repair-first",
        "proposal": None,
        "look": None,
        "place_anew": False,
        "causes": [cause, *finding["causes"]],
        "next": f"do not move it far before it is repaired; {check}",
    }


def _differ(one: dict[str, Any], other: dict[str, Any]) -> bool:
    off = abs(one["scale"] - other["scale"])
    span_mm = max(one["span_mm"], other["span_mm"])
    is_sure = off > _SURE_U * math.hypot(one["u"], other["u"])
    return bool(is_sure and off * span_mm > _RACKS_MM)
