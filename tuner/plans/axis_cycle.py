"""The axis test: five targets, five runs, from both sides, evaluated after ISO 230-2.

Each run goes up through all targets, arriving in plus direction, and down again, arriving in minus
direction. The caliper's datum is a constant that changes nothing. A session that was cut off goes
on with a new datum, so a run counts only whole, and each visit is taken about its own mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import groupby
from typing import Any

from tuner.card.dialect import Dialect
from tuner.card.schema import Axis, Card
from tuner.errors import BadReadings
from tuner.messages import Approached, Checkpoint, Decided, Plan, Say
from tuner.metrology.axis_test import SURELY_ELSEWHERE, AxisTest, axis_test
from tuner.metrology.faults import loose_pulley
from tuner.metrology.targets import over_travel_mm
from tuner.metrology.unmeasured import without_fit
from tuner.plans.axes import may_reference
from tuner.plans.axis import climb_axis, has_moved, prepare, read_zero
from tuner.plans.bounds import free_mm
from tuner.plans.ladder import climb
from tuner.plans.looks import look
from tuner.plans.measure import finding_now
from tuner.plans.readings import fitted, take_reading
from tuner.plans.recover import Contact, recover
from tuner.plans.result import proposal_of, say_result
from tuner.plans.run import AxisRun, Finding, Part, Stop, hear
from tuner.plans.visit import arrive, leave_cold

NAME = "axis-test"
VERSION = 2

_STEPS_BEFORE, _STEPS_AN_AXIS, _STEPS_AFTER = 2, 3, 2
_RUNS = 5
# Unevenly over the reach, as the standard wants it, so that what repeats does not hide.
_SHARES = (0.0, 0.23, 0.51, 0.74, 1.0)
_LEAST_REACH_MM = 10.0
# A hand never scatters so far, so it is a misreading, or the axis: then it is typed once more.
_READ_TWICE_MM = 0.2


@dataclass
class _Test:
    """One axis under test; `runs` are those that are whole, with their visit; `begun` is the
    number of the one that was begun last, `visit` in which and `before` after how many readings. A
    run holds the readings at all targets arriving in plus, then those arriving in minus, both in
    the order of the targets, in mm along the axis.
    """

    run: AxisRun
    targets_mm: list[float] = field(default_factory=list)
    runs: list[tuple[int, list[float], list[float]]] = field(default_factory=list)
    begun: int = 0
    visit: int = 0
    before: int = 0


def axis_cycle(card: Card, dialect: Dialect, axes: Sequence[str], network: bool) -> Plan:
    """Test how well `axes` of the machine on `card` find their places again.

    The result maps each axis to its finding, in the form of every finding, with ``axis_test``
    besides: what ISO 230-2 makes of the readings. `network` as for a session at the bench.
    """
    of = _STEPS_BEFORE + _STEPS_AN_AXIS * len(axes) + _STEPS_AFTER
    contact = Contact(dialect, network=network)
    if not (yield from contact.through(partial(arrive, card, contact, of))):
        return {}
    runs: list[AxisRun] = []
    for number, name in enumerate(axes):
        step = _STEPS_BEFORE + _STEPS_AN_AXIS * number + 1
        run = yield from _test_axis(card, card.axes[name], dialect, contact, step, of)
        yield from contact.through(partial(_report, run))
        runs.append(run)
        if run.ends_session:
            break
    yield from contact.through(partial(leave_cold, contact, of))
    for run in runs:
        yield from contact.through(partial(look, run))
        if run.readings:
            yield from contact.through(partial(hear, proposal_of(run, draft=False)))
    return {run.name: run.finding for run in runs}


def _test_axis(
    card: Card, axis: Axis, dialect: Dialect, contact: Contact, step: int, of: int
) -> Part[AxisRun]:
    run = AxisRun(
        axis,
        card.caliper,
        grows=1 if axis.reading_grows == "plus" else -1,
        hold_time_s=card.hold_time_s,
    )
    run.over_mm = over_travel_mm(0.0, float(axis.train.lost_cycle_mm))
    test = _Test(run)
    zero_first_mm = yield from contact.through(partial(prepare, run, step, of))
    may = may_reference(axis, dialect)
    ended = yield from contact.through(partial(climb_axis, run, contact, may, step + 1, of))
    if ended is None:
        ended = yield from contact.through(partial(_tested, test, contact, step + 2, of))
    if ended is not None:
        run.finding = ended
        return run
    zero_last_mm = yield from contact.through(partial(read_zero, run, "zero-last"))
    yield from contact.through(partial(_evaluate, test, has_moved(zero_first_mm, zero_last_mm)))
    return run


def _tested(test: _Test, contact: Contact, step: int, of: int) -> Part[Finding | None]:
    """Go through the runs that are missing; or return why that cannot be."""
    run = test.run
    if test.begun > len(test.runs):
        _keep_if_whole(test)
    if len(test.runs) == _RUNS:
        return None
    if not contact.is_made:
        yield from recover(run, contact)
        ended = yield from climb(run, may_reference=False)
        if ended is not None:
            return ended
    yield Checkpoint(
        key=f"{run.name}.test",
        step=step,
        of=of,
        says=f"Axis {run.letter}: {len(_SHARES)} targets, {_RUNS} runs, from both sides",
    )
    if not test.targets_mm:
        targets = yield from hear(Decided(key=f"{run.name}.targets", value=_targets(run)))
        if isinstance(targets, str):
            return without_fit(
                verdict="cannot-tell", axis=run.name, n=len(run.readings), next=targets
            )
        test.targets_mm = targets
    while len(test.runs) < _RUNS:
        yield from _one_run(test)
    return None


def _targets(run: AxisRun) -> list[float] | str:
    """Return where to read, in commanded mm, rising; or in words why there is no room."""
    last = run.readings[-1]
    low_mm, high_mm = (
        last.commanded_mm + side * free_mm(run, last.commanded_mm, last.reading_mm, side)
        for side in (-1.0, 1.0)
    )
    low_mm, high_mm = low_mm + run.over_mm, high_mm - run.over_mm
    if high_mm - low_mm < _LEAST_REACH_MM:
        return (
            f"{run.letter} and the caliper have {max(0.0, high_mm - low_mm):.0f} mm in common, and "
            f"the test takes at least {_LEAST_REACH_MM:g}: place the caliper so that it reads in "
            "the middle of its range, and start again"
        )
    return [round(low_mm + share * (high_mm - low_mm), 2) for share in _SHARES]


def _one_run(test: _Test) -> Part[None]:
    run, number = test.run, len(test.runs) + 1
    if test.begun == number:
        yield Say(
            key=f"{run.name}.run-anew",
            says=f"Run {number} was cut off and begins anew: a run counts only whole",
        )
    test.begun = number
    test.visit, test.before = run.visit, len(run.readings)
    run.settled = test.before
    sides: tuple[Approached, Approached] = ("plus", "minus")
    for side in sides:
        count = len(test.targets_mm)
        order = range(count) if side == "plus" else reversed(range(count))
        for at in order:
            yield from take_reading(run, _stop(test, number, side, at))
    _keep_if_whole(test)


def _keep_if_whole(test: _Test) -> None:
    """Keep the run that was begun, once all of its places are read."""
    run, middle = test.run, len(test.targets_mm)
    read = [one for one in run.readings[test.before :] if one.visit == test.visit]
    along_mm = [run.grows * one.reading_mm for one in read]
    if len(along_mm) == 2 * middle:
        test.runs.append((test.visit, along_mm[:middle], along_mm[middle:][::-1]))


def _stop(test: _Test, number: int, side: Approached, at: int) -> Stop:
    to_mm = test.targets_mm[at]
    return Stop(
        f"{test.run.name}.run-{number}.{side}.{at + 1}",
        to_mm,
        side,
        test.run.axis.feed_mm_per_min,
        _READ_TWICE_MM,
        partial(_expected_mm, to_mm=to_mm),
    )


def _expected_mm(run: AxisRun, *, to_mm: float) -> float | None:
    """Return what should be read at `to_mm` by the line through what this visit has read."""
    here = [one for one in run.readings if one.visit == run.visit]
    try:
        line = fitted(run, here)
    except BadReadings:
        return None
    middle_mm = sum(one.commanded_mm for one in here) / len(here)
    reading_mm = sum(one.reading_mm for one in here) / len(here)
    return reading_mm + run.grows * line.scale * (to_mm - middle_mm)


# --- what it means ------------------------------------------------------------------------


def _evaluate(test: _Test, zero_moved: bool) -> Part[None]:
    run = test.run
    run.zero_moved = yield from hear(Decided(key=f"{run.name}.zero-moved", value=zero_moved))
    if not run.zero_moved:
        run.datum_look = "unmoved"
    result = _result(test)
    run.finding = yield from hear(Decided(key=f"{run.name}.finding", value=_finding(run, result)))
    rows = result.table()
    width = max(len(cell) for row in rows for cell in row)
    for cells in rows:
        says = "  ".join(cell.rjust(width) for cell in cells).rstrip()
        yield Say(key=f"{run.name}.table", says=says)
    for line in result.picture():
        yield Say(key=f"{run.name}.picture", says=line)


def _result(test: _Test) -> AxisTest:
    """Return what the standard makes of the runs, each visit about its own mean."""
    plus, minus = [], []
    for _, group in groupby(test.runs, key=lambda one: one[0]):
        runs = list(group)
        read = [mm for _, up, down in runs for mm in (*up, *down)]
        mean_mm = sum(read) / len(read) - sum(test.targets_mm) / len(test.targets_mm)
        for _, up, down in runs:
            plus.append([mm - mean_mm for mm in up])
            minus.append([mm - mean_mm for mm in down])
    return axis_test(test.targets_mm, list(zip(*plus, strict=True)), list(zip(*minus, strict=True)))


def _finding(run: AxisRun, result: AxisTest) -> Finding:
    finding = {**finding_now(run, {}), "axis_test": result.as_json()}
    if run.zero_moved:
        finding |= {"verdict": "measure-again", "proposal": None, "next": _ZERO_MOVED}
    elif not run.axis.vertical:  # its weight takes up what is loose
        finding |= _loose(finding, result)
    return finding


def _loose(finding: Finding, result: AxisTest) -> Finding:
    """Return what of a finding is different where whole runs come to rest elsewhere each time.

    Seen by so many runs, that explains what single readings took for jumps, play or waves.
    """
    if result.comes_elsewhere is None:
        return {}
    loose = loose_pulley(result.comes_elsewhere, SURELY_ELSEWHERE)
    number = [one for one in finding["causes"] if one["about"] == "number"]
    return {
        "verdict": "repair-first",
        "causes": [*number, loose.as_json()],
        "tie": [],
        "look": None,
        "proposal": None,
        "next": f"{loose.says}; {loose.check}",
    }


_ZERO_MOVED = (
    "with closed jaws the caliper no longer shows zero, so the test says nothing about the axis. "
    "Clean the jaws, set zero, and test again"
)


def _report(run: AxisRun) -> Part[None]:
    test: dict[str, Any] | None = run.finding.get("axis_test")
    if test is not None:
        yield Say(
            key=f"{run.name}.axis-test",
            tag="RESULT",
            fields=tuple((name, f"{test[key]:.3f}") for name, key in _QUANTITIES),
            says=(
                f"{run.letter}, after ISO 230-2 with {test['runs']} runs at "
                f"{run.axis.feed_mm_per_min / 60.0:g} mm/s: reversal B "
                f"{test['reversal_mm']:.3f}, repeatability R {test['repeatability_mm']:.3f}, "
                f"systematic deviation E {test['systematic_mm']:.3f}, accuracy A "
                f"{test['accuracy_mm']:.3f} mm, the hand's scatter among them"
            ),
        )
    yield from say_result(run)
    if run.readings:
        yield proposal_of(run, draft=True)


_QUANTITIES = (
    ("B", "reversal_mm"),
    ("R", "repeatability_mm"),
    ("E", "systematic_mm"),
    ("M", "mean_deviation_mm"),
    ("A", "accuracy_mm"),
)
