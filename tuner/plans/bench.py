"""The whole session at the bench: before connecting, every axis, leaving, looking, proposing.

Looks inside the machine come last, when it has been left cold and can be unplugged: after
a look nobody knows where an axis stands. No part counts as known without its look.

Every message is inside a part that goes on after an interruption; see ``recover``.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from tuner.card.dialect import Dialect
from tuner.card.schema import Axis, Card
from tuner.messages import Checkpoint, Plan, Propose, Say
from tuner.plans.axis import measure_axis
from tuner.plans.coupled import MOTORS, measure_coupled
from tuner.plans.feeder import measure_feeder
from tuner.plans.looks import look, watch_one_turn
from tuner.plans.recover import Contact
from tuner.plans.result import say_result
from tuner.plans.run import AxisRun, Part, hear

NAME = "bench"
VERSION = 2
_STEPS_BEFORE, _STEPS_AN_AXIS, _STEPS_AFTER = 2, 3, 2


def bench(
    card: Card, dialect: Dialect, axes: Sequence[str], network: bool, *, quick: bool = False
) -> Plan:
    """Tune `axes` of the machine on `card`; the result maps each axis to its finding.

    `network` says that the port leads over a network, where nobody may be at the machine. With
    `quick` four readings an axis say how it was found, and no look inside is asked for.
    """
    of = _STEPS_BEFORE + _STEPS_AN_AXIS * len(axes) + _STEPS_AFTER
    contact = Contact(dialect, network=network)
    connected = yield from contact.through(partial(arrive, card, contact, of))
    if not connected:
        return {}
    runs: list[AxisRun] = []
    left = list(axes)
    while left and not any(run.ends_session for run in runs):
        step = _STEPS_BEFORE + _STEPS_AN_AXIS * (len(axes) - len(left)) + 1
        if card.layout == "coupled-belts" and left[0] in MOTORS:
            done = yield from measure_coupled(card, contact, step, of, quick=quick)
        else:
            axis = card.axes[left[0]]
            done = [
                (yield from measured(card, dialect, axis, contact, step, of, network, quick=quick))
            ]
        for run in done:
            left.remove(run.name)
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
        yield from contact.through(partial(hear, _proposal(run, draft=False)))
    return {run.name: run.finding for run in runs}


def measured(
    card: Card,
    dialect: Dialect,
    axis: Axis,
    contact: Contact,
    step: int,
    of: int,
    network: bool,
    *,
    quick: bool,
) -> Part[AxisRun]:
    """Measure one axis by the procedure for its kind of drive."""
    if axis.filament is not None:
        may_heat = dialect.heat.nozzle is not None and not network
        return (
            yield from measure_feeder(
                card, axis, axis.filament, contact, step, of, may_heat=may_heat, quick=quick
            )
        )
    may = may_reference(axis, dialect)
    return (yield from measure_axis(card, axis, contact, may, step, of, quick=quick))


def may_reference(axis: Axis, dialect: Dialect) -> bool:
    """Return whether the end switch of `axis` can be looked for, and pressed by hand before."""
    has_words = dialect.reference is not None and dialect.switches is not None
    return axis.reference.at != "none" and has_words


def arrive(card: Card, contact: Contact, of: int) -> Part[bool]:
    """Say what this is and connect; the result is False when that may not be yet."""
    yield Checkpoint(key="before", step=1, of=of, says="Before anything is connected")
    yield Say(
        key="welcome",
        says=(
            f"{card.name}: measuring with a caliper what each axis really travels. Moves need your "
            "go, one by one. Nothing is ever written to the controller. Keep children, animals "
            "and onlookers away; no gloves, loose sleeves or loose hair; spindle or laser isolated"
        ),
    )
    return (yield from contact.make(Checkpoint(key="connecting", step=2, of=of, says="Connecting")))


def _report(run: AxisRun) -> Part[None]:
    yield from say_result(run)
    # Kept until its looks are done, and written as it is if the session ends before that.
    yield _proposal(run, draft=True)


def leave_cold(contact: Contact, of: int) -> Part[None]:
    """Switch off what may be hot, read it back, close."""
    yield Checkpoint(
        key="leaving", step=of - 1, of=of, says="Leaving the machine cold and in a known state"
    )
    yield from contact.leave()


def _proposal(run: AxisRun, *, draft: bool) -> Propose:
    return Propose(
        key=f"{run.name}.proposal",
        axis=run.name,
        draft=draft,
        finding={**run.finding, "readings": run.readings_as_data()},
    )
