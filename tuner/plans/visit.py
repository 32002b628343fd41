"""How every session at a machine begins and ends: before connecting, and leaving it cold."""

from __future__ import annotations

from tuner.card.schema import Card
from tuner.messages import Checkpoint, Say
from tuner.plans.recover import Contact
from tuner.plans.run import Part


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


def leave_cold(contact: Contact, of: int) -> Part[None]:
    """Switch off what may be hot, read it back, close."""
    yield Checkpoint(
        key="leaving", step=of - 1, of=of, says="Leaving the machine cold and in a known state"
    )
    yield from contact.leave()
