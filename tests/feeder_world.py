"""Whole sessions at the simulated feeder, with every fault it can have, and what is right then.

``CASES`` says for each fault, fed free or hot, how the session ends and what must be found. The
right number is computed here from the true parts, from nothing that the program says.
"""

from __future__ import annotations

import contextlib
import io
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

from cut_off import without_waiting_for_the_disk

from tuner.card.read import parse_card
from tuner.commands.live import chosen_axes, dialect_of, simulated
from tuner.commands.rehearse import run_rehearsal
from tuner.messages import Question
from tuner.rehearsal.faults import PACK_MULE, card_text, machine
from tuner.rehearsal.hands import Hands
from tuner.session.logbook import Logbook

ENOUGH = 0.01  # relative: the promise of the procedure
HEALTHY_STEPS = 418.6


class FedAs(Hands):
    """Somebody who has made up their mind how to feed."""

    how = "free"

    def answer(self, question: Question) -> str:
        """Answer as ever, but that."""
        answer = super().answer(question)
        return self.how if question.line.key == "e.feed-how" else answer


@dataclass(frozen=True)
class Played:
    """How a session went: its exit status, what was found of the feeder, what was said."""

    exit_status: int
    finding: dict[str, Any] | None
    said: str
    home: Path

    @property
    def verdict(self) -> str | None:
        return None if self.finding is None else str(self.finding["verdict"])

    @property
    def causes(self) -> list[str]:
        return [one["name"] for one in self.finding["causes"]] if self.finding else []

    @property
    def steps_per_mm(self) -> float | None:
        """The proposed number, None without one."""
        proposal = self.finding["proposal"] if self.finding else None
        return None if proposal is None else float(proposal["steps_per_mm"])


def right_steps(fault: str, seed: int) -> float:
    """Return the steps that one true mm of filament takes, by the true parts."""
    one = machine(fault, "e", seed, PACK_MULE).truth.axes["e"]
    turn_mm = math.pi * one.diameter_mm * one.gear[0] / one.gear[1]
    return 360.0 / one.step_angle_deg * one.microsteps / turn_mm


@contextlib.contextmanager
def at_hand(home: Path, fault: str, seed: int, how: str) -> Iterator[tuple[Any, FedAs]]:
    card = parse_card(card_text(PACK_MULE), "the card")
    url = f"rehearse://{PACK_MULE}?seed={seed}&fault={fault}&axis=e"
    setup, port = simulated(home, card, dialect_of(card, None), chosen_axes(card, ["e"]), url)
    hands = FedAs(port.machine, seed)
    hands.how = how
    with without_waiting_for_the_disk():
        yield setup, hands


def play(home: Path, fault: str, seed: int, how: str = "free") -> Played:
    """Play a whole session in `home`."""
    said = io.StringIO()
    with at_hand(home, fault, seed, how) as (setup, hands), patch("sys.stdout", said):
        status = run_rehearsal(setup, hands, None)
    logbook = Logbook(home / "logbook.db")
    try:
        _, result = logbook.ending(logbook.sessions()[-1])
    finally:
        logbook.close()
    return Played(status, result["e"] if result else None, said.getvalue(), home)


@dataclass(frozen=True)
class Case:
    """A fault, how it is fed, and what is right: the exit status, the verdicts, the first cause.

    Without verdicts the session ends early. `says` is what the person must have been told.
    """

    fault: str
    how: str
    verdicts: tuple[str, ...]
    cause: str | None = None
    says: str = ""
    exit_status: int = 0

    @property
    def name(self) -> str:
        return f"{self.fault} {self.how}"

    def is_right(self, played: Played, seed: int) -> bool:
        """Say whether a session found what it should, with the right number where it names one."""
        if played.exit_status != self.exit_status or self.says not in played.said:
            return False
        if not self.verdicts:
            return played.finding is None
        if played.verdict not in self.verdicts:
            return False
        if self.cause is not None and played.causes[:1] != [self.cause]:
            return False
        return not is_wrong_and_confident(self.fault, played, seed)


def is_wrong_and_confident(fault: str, played: Played, seed: int) -> bool:
    """Say whether a number is kept or proposed that is not right within 1 %."""
    if played.verdict not in ("keep", "change"):
        return False
    number = HEALTHY_STEPS if played.verdict == "keep" else played.steps_per_mm
    truth = machine(fault, "e", seed, PACK_MULE).truth
    # An override or another number in the controller must not be built into the number.
    is_in_the_way = truth.habits.flow_part != 1.0 or (
        truth.axes["e"].held_steps_per_mm != HEALTHY_STEPS
    )
    assert number is not None
    return is_in_the_way or abs(number / right_steps(fault, seed) - 1.0) > ENOUGH


_BOTH = ("free", "hot")
_EACH = (
    ("none", ("keep",), None),
    ("speed-override", ("keep",), None),
    ("hot-driver", ("keep", "measure-again", "repair-first"), None),
    ("gear-teeth", ("change",), "gear-teeth"),
    ("feeder-diameter", ("change",), "feeder-diameter"),
    ("step-angle", ("change",), "step-angle"),
    ("microsteps", ("change",), "microsteps"),
    ("flow-override", ("measure-again",), "override-active"),
    ("stored-number", ("measure-again",), "stored-number"),
    ("inch-units", ("repair-first",), "inch-units"),
    ("wrong-way", ("repair-first",), "reversed"),
    ("not-powered", ("repair-first",), "not-powered"),
    ("motor-phase", ("repair-first",), "motor-phase"),
)
CASES = (
    *(Case(fault, how, verdicts, cause) for fault, verdicts, cause in _EACH for how in _BOTH),
    Case("feeder-slip", "free", ("keep",)),
    Case("feeder-slip", "hot", ("repair-first",), "feeder-slip"),
    Case("cold-feed-refused", "free", ("keep",), says="too cold to feed"),
    Case("cold-feed-refused", "hot", ("keep",)),
    Case("heater-dead", "free", ("keep",)),
    Case("heater-dead", "hot", (), says="it is switched off", exit_status=1),
    Case("sensor-loose", "hot", (), says="it is switched off", exit_status=1),
    Case("sensor-out", "hot", (), says="it is switched off", exit_status=1),
)
