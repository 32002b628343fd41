"""A rehearsal on an emulated terminal, with what stood on it whenever an answer was due."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlencode

import pyte
from prompt_toolkit.data_structures import Size
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output.vt100 import Vt100_Output

from tuner.card.read import parse_card
from tuner.commands.live import dialect_of, simulated
from tuner.commands.rehearse import run_rehearsal
from tuner.console.screen import Screen
from tuner.errors import TunerError
from tuner.messages import Go, Line, OneOf, Question
from tuner.rehearsal.faults import card_text
from tuner.rehearsal.hands import Hands

PATIENCE_S = 20.0
MACHINE = "bench-mule"
WHERE = f"rehearse://{MACHINE}"


@dataclass
class Shot:
    """The rows of the terminal, and the question that was open."""

    question: Question
    rows: list[str]

    @property
    def key(self) -> str:
        return self.question.line.key

    @property
    def flowing(self) -> str:
        """All words with one blank between them."""
        return " ".join(" ".join(self.rows).split())

    @property
    def fixed(self) -> list[str]:
        """The six rows at the bottom."""
        last = max(number for number, row in enumerate(self.rows) if row)
        return self.rows[last - 5 : last + 1]


@dataclass
class Walk:
    """What happened: shots in order, all lines told, the last rows, all that was drawn."""

    shots: list[Shot] = field(default_factory=list)
    told: list[Line] = field(default_factory=list)
    last: list[str] = field(default_factory=list)
    drawn: str = ""
    status: int = -1

    def at(self, key: str) -> Shot:
        return next(one for one in self.shots if one.key == key)

    def page(self, columns: int) -> str:
        """All words that are left on a terminal with rows enough for everything."""
        screen = pyte.Screen(columns, 2000)
        pyte.Stream(screen).feed(self.drawn)
        return " ".join(" ".join(screen.display).split())


def on_the_pad(question: Question, answer: str) -> str:
    """Return `answer` as it is typed with the numeric pad alone."""
    match question.accepts:
        case Go():
            return "*+"
        case OneOf(options=options):
            return str(options.index(answer) + 1)
    return answer


class _Drawn(io.StringIO):
    def __init__(self, encoding: str) -> None:
        super().__init__()
        self._encoding = encoding

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return self._encoding


def walk(
    home: Path,
    *,
    rows: int,
    columns: int,
    fault: str = "pulley-teeth",
    encoding: str = "utf-8",
    typed: Callable[[Question, str], str] = on_the_pad,
    instead: Mapping[str, Sequence[tuple[str, str]]] | None = None,
    cut_off: str | None = None,
) -> Walk:
    """Rehearse axis x with `fault`; answers are those of the simulated hands, through `typed`.

    `instead` maps the key of a question to keys, each with the words that the terminal shows
    then, and which are waited for; the answer itself follows after them. `cut_off` is a session in
    `home` that is taken up instead of a new one.
    """
    card = parse_card(card_text(MACHINE), "the card")
    options = {"seed": "1", "pace": "instant", "fault": fault, "axis": "x"}
    setup, port = simulated(
        home, card, dialect_of(card, None), ("x",), f"{WHERE}?{urlencode(options)}"
    )
    hands = Hands(port.machine, 1)
    walked = Walk()
    drawn = _Drawn(encoding)
    screen_rows = pyte.Screen(columns, rows)
    stream = pyte.Stream(screen_rows)
    to_do = {key: list(keys) for key, keys in (instead or {}).items()}
    fed = 0
    answered: list[Question] = []
    awaited: list[str] = []

    with create_pipe_input() as keys:
        # Only in a test that fails: what is awaited will not come any more.
        too_long = threading.Timer(PATIENCE_S, lambda: keys.send_text("\x18"))
        too_long.start()
        screen = Screen(
            keys, Vt100_Output(drawn, lambda: Size(rows, columns), term="xterm"), port=WHERE
        )

        def look(_app: object) -> None:
            nonlocal fed
            text = drawn.getvalue()
            stream.feed(text[fed:])
            fed = len(text)
            asked = screen._open
            if asked is None or any(one is asked.question for one in answered):
                return
            shot = Shot(asked.question, [row.rstrip() for row in screen_rows.display])
            if awaited and awaited[0] not in shot.flowing:
                return
            awaited.clear()
            walked.shots.append(shot)
            if to_do.get(shot.key):
                pressed, shows = to_do[shot.key].pop(0)
                awaited.append(shows)
                keys.send_text(pressed)
                return
            answered.append(asked.question)
            keys.send_text(typed(asked.question, hands.answer(asked.question)) + "\r")

        screen._app.after_render += look
        tell = screen.tell

        def told(line: Line) -> None:
            walked.told.append(line)
            tell(line)

        screen.tell = told  # type: ignore[method-assign]
        try:
            walked.status = run_rehearsal(setup, hands, screen, cut_off)
        except TunerError as error:
            walked.status = error.exit_status
        finally:
            too_long.cancel()
    assert not any(awaited), f"{awaited[0]!r} did not appear"
    text = drawn.getvalue()
    stream.feed(text[fed:])
    walked.last = [row.rstrip() for row in screen_rows.display]
    walked.drawn = text
    return walked
