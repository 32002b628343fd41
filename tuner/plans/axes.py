"""Every axis of a session at the bench, each by the procedure for its drive; then the looks.

Of several axes the first small moves come before any far one, and one summary at the end.

Looks inside the machine come last, when it has been left cold and can be unplugged: after
a look nobody knows where an axis stands. No part counts as known without its look.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from tuner.card.dialect import Dialect
from tuner.card.schema import Axis, Card
from tuner.drive.parts import Rotary
from tuner.messages import Checkpoint, Plan
from tuner.plans.axis import measure_axis, run_of
from tuner.plans.coupled import MOTORS, measure_coupled
from tuner.plans.feeder import measure_feeder
from tuner.plans.looks import look, watch_one_turn
from tuner.plans.recover import Contact
from tuner.plans.result import proposal_of, say_result
from tuner.plans.rotary import measure_rotary
from tuner.plans.run import AxisRun, Part, hear
from tuner.plans.visit import leave_cold
from tuner.plans.whole import first_moves, in_safe_order, moves_alone, next_axis, say_summary


def every_axis(
    card: Card,
    axes: Sequence[str],
    contact: Contact,
    steps: tuple[int, int, int],
    *,
    quick: bool,
) -> Plan:
    """Measure `axes`, leave cold, look and propose; the result maps each axis to its finding.

    Of the `steps` that a person is shown some came before; then how many an axis has, and how many
    there are in all. `quick` as for ``bench``.
    """
    before, an_axis, of = steps
    whole = len(axes) > 1
    left = [name for name in in_safe_order(card, axes) if not _goes_with_x(card, axes, name)]
    out: list[str] = []
    known = {
        name: run_of(card, card.axes[name], quick=quick) for name in left if moves_alone(card, name)
    }
    runs: list[AxisRun] = []
    if whole and known:
        yield from contact.through(partial(first_moves, [*known.values()], contact, before, of))
    for run in known.values():
        if run.finding:
            left.remove(run.name)
            yield from contact.through(partial(_report, run))
            runs.append(run)
    while not any(run.ends_session for run in runs):
        if whole:
            name = yield from contact.through(partial(next_axis, left, out))
        else:
            name = left.pop() if left else None
        if name is None:
            break
        step = before + an_axis * len(runs) + 1
        run = known.get(name) or run_of(card, card.axes[name], quick=quick)
        done = yield from measured(card, run, contact, step, of)
        for run in done:
            yield from contact.through(partial(_report, run))
            if not quick:
                yield from contact.through(partial(watch_one_turn, run, contact))
        runs += done
    yield from contact.through(partial(leave_cold, contact, of))
    yield from contact.through(
        partial(
            hear,
            Checkpoint(
                key="looking", step=of, of=of, says="Looking at the parts, and the proposals"
            ),
        )
    )
    for run in runs:
        if not quick:
            yield from contact.through(partial(look, run))
        if run.readings:
            yield from contact.through(partial(hear, proposal_of(run, draft=False)))
    if whole:
        yield from contact.through(partial(say_summary, runs, out))
    return {run.name: run.finding for run in runs}


def _goes_with_x(card: Card, axes: Sequence[str], name: str) -> bool:
    """Return whether that axis is measured together with X, by both of their motors."""
    return card.layout == "coupled-belts" and name == "y" and "x" in axes


def measured(card: Card, run: AxisRun, contact: Contact, step: int, of: int) -> Part[list[AxisRun]]:
    """Measure the axis of `run` by the procedure for its kind of drive.

    The result is that run, or the runs of both axes where their motors move them together.
    """
    axis = run.axis
    if card.layout == "coupled-belts" and run.name in MOTORS:
        return (yield from measure_coupled(card, contact, step, of, quick=run.quick))
    if isinstance(axis.train.drive, Rotary):
        return [(yield from measure_rotary(run, contact, step, of))]
    if axis.filament is None:
        may = may_reference(axis, contact.dialect)
        return [(yield from measure_axis(run, contact, may, step, of))]
    may_heat = contact.dialect.heat.nozzle is not None and not contact.network
    feeder = measure_feeder(
        card, axis, axis.filament, contact, step, of, may_heat=may_heat, quick=run.quick
    )
    return [(yield from feeder)]


def may_reference(axis: Axis, dialect: Dialect) -> bool:
    """Return whether the end switch of `axis` can be looked for, and pressed by hand before."""
    has_words = dialect.reference is not None and dialect.switches is not None
    return axis.reference.at != "none" and has_words


def _report(run: AxisRun) -> Part[None]:
    yield from say_result(run)
    # Kept until its looks are done, and written as it is if the session ends before that.
    if run.readings:
        yield proposal_of(run, draft=True)
