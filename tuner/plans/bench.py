"""The whole session at the bench: before connecting, every axis, leaving, looking, proposing.

Every message is inside a part that goes on after an interruption; see ``recover``.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from tuner.card.dialect import Dialect
from tuner.card.schema import Card
from tuner.messages import Plan
from tuner.plans.recover import Contact
from tuner.plans.visit import arrive

NAME = "bench"
VERSION = 5
_STEPS_BEFORE, _STEPS_AN_AXIS, _STEPS_AFTER = 2, 3, 2


def bench(
    card: Card, dialect: Dialect, axes: Sequence[str], network: bool, *, quick: bool = False
) -> Plan:
    """Tune `axes` of the machine on `card`; the result maps each axis to its finding.

    `network` says that the port leads over a network, where nobody may be at the machine. With
    `quick` the ladder and four readings an axis say how it was found, about ten with the caliper's
    zero; no look inside is asked for.
    """
    before = _STEPS_BEFORE + (len(axes) > 1)
    of = before + _STEPS_AN_AXIS * len(axes) + _STEPS_AFTER
    contact = Contact(dialect, network=network)
    connected = yield from contact.through(partial(arrive, card, contact, of))
    if not connected:
        return {}
    # What measures and judges is loaded while a person reads what is asked first.
    from tuner.plans.axes import every_axis

    steps = (before, _STEPS_AN_AXIS, of)
    return (yield from every_axis(card, axes, contact, steps, quick=quick))
