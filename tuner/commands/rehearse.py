"""``tuner rehearse``: a whole session on the simulated machine."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import urlencode

from tuner.card.read import parse_card
from tuner.commands.live import Bench, chosen_axes, dialect_of, run_session
from tuner.commands.tune import console_for
from tuner.console.plain import HandsOff, Plain
from tuner.errors import UsedWrongly
from tuner.messages import Line, Person, Question
from tuner.rehearsal.faults import FAULTS, card_text
from tuner.rehearsal.hands import Hands
from tuner.wire.port import Port


class Coached:
    """A person without a machine: is told what there is to see before each question."""

    def __init__(self, person: Person, hands: Hands) -> None:
        self._person = person
        self._hands = hands

    def tell(self, line: Line) -> None:
        """Show `line`."""
        self._person.tell(line)

    def discard_pending(self) -> None:
        """Forget everything typed so far."""
        self._person.discard_pending()

    def ask(self, question: Question) -> str:
        """Say what is to be seen on the simulated machine, then ask."""
        seen = self._hands.caliper_shows(question)
        if seen:
            self._person.tell(Line("NOTE", "rehearsal", (), f"on the simulated machine, {seen}"))
        return self._person.ask(question)


class Answering:
    """Shows what the simulated person answers, for whoever watches to learn from."""

    def __init__(self, person: Person) -> None:
        self._person = person

    def tell(self, line: Line) -> None:
        """Show `line`."""
        self._person.tell(line)

    def discard_pending(self) -> None:
        """Nobody types here."""

    def ask(self, question: Question) -> str:
        """Ask, and show the answer."""
        answer = self._person.ask(question)
        self._person.tell(Line("NOTE", "answered", (), answer))
        return answer


def rehearse(
    *,
    home: Path,
    fault: str | None,
    axes: Sequence[str] | None,
    seed: int,
    hands_off: bool,
    plain: bool,
) -> int:
    """Run a whole session on the Bench mule and return its exit status."""
    card = parse_card(card_text(), "the card of the bench mule")
    # A fault sits on one axis; without a wish only that axis is tuned.
    at = axes[0] if axes and fault else None
    if fault is not None and fault in FAULTS and axes is None:
        axes = [FAULTS[fault].axis]
    wanted = chosen_axes(card, axes)
    options = {"seed": str(seed), "pace": "instant"}
    if fault is not None:
        options["fault"] = fault
    if at is not None:
        options["axis"] = at
    console = None if hands_off else console_for(plain)
    if console is not None and not isinstance(console, Plain):
        options["pace"] = "real"
    url = f"rehearse://bench-mule?{urlencode(options)}"
    if seed < 0:
        raise UsedWrongly(f"--seed {seed} is below 0; give a whole number from 0 on")
    port = Port.open(url, card.baud)
    hands = Hands(port.machine, seed)
    setup = Bench(home, card, dialect_of(card, None), wanted, url, False, port.clock, lambda: port)
    if console is None:
        off = HandsOff(hands.answer, sys.stdout)
        return run_session(setup, off, Answering(off))
    return run_session(setup, console, Coached(console, hands))
