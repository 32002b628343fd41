"""Every conversation in ``transcripts_fake/`` is played again, strictly, on both sides.

The port takes nothing but the lines that were sent then; the person is shown nothing but
what was shown then, and answers what was answered then.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable
from pathlib import Path

import pytest

from tuner.card.read import parse_card
from tuner.commands.live import Bench, chosen_axes, dialect_of, run_session
from tuner.messages import Line, Question
from tuner.rehearsal.faults import card_text
from tuner.wire.port import Port
from tuner.wire.transcript import Sort, parse

FOLDER = Path(__file__).parent.parent / "transcripts_fake"
FILES = sorted(FOLDER.glob("*.txt"))
# Names of sessions and files hold the time of day.
NAMED_BY_TIME = re.compile(r"\S*\d{8}-\d{6}-bench-mule\S*")


def without_names(text: str) -> str:
    return NAMED_BY_TIME.sub("NAMED", text)


# What to type next, which names the command line that only the recorded session was begun with.
NEXT_TO_TYPE = "NOTE after."


class RecordedHands:
    """Holds what is shown against the record and answers from it."""

    def __init__(self, path: Path) -> None:
        shown = (one.text for one in parse(path) if one.sort is Sort.PERSON)
        self._due = deque(one for one in shown if not one.startswith(NEXT_TO_TYPE))

    def serve(self, work: Callable[[], int], stop: Callable[[], None]) -> int:
        return work()

    def tell(self, line: Line) -> None:
        assert without_names(line.plain()) == without_names(self._due.popleft())

    def discard_pending(self) -> None:
        pass

    def ask(self, question: Question) -> str:
        self.tell(question.line)
        sign, _, answer = self._due.popleft().partition(f"ANSWER {question.line.key} | ")
        assert sign == ""
        return answer

    def left_over(self) -> list[str]:
        return list(self._due)


def test_there_are_conversations() -> None:
    assert len(FILES) >= 8


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_conversation_goes_the_same_way_again(path: Path, tmp_path: Path) -> None:
    axis = re.search(r"axis ([xyz])", path.read_text(encoding="utf-8"))
    assert axis
    card = parse_card(card_text(), "the card of the bench mule")
    port = Port.open(f"replay://{path}", card.baud)
    setup = Bench(
        tmp_path,
        card,
        dialect_of(card, None),
        chosen_axes(card, [axis[1]]),
        "replay",
        False,
        port.clock,
        lambda: port,
    )
    hands = RecordedHands(path)
    assert run_session(setup, hands, hands) == 0
    assert hands.left_over() == []
