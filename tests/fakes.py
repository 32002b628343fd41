"""Stand-ins with a script: a person, a controller, a clock, and a hand that plays a plan.

The rule: they do nothing by themselves. What they do not know is an error, what was said to
them is kept in order in ``seen``, and one list can be shared to see the order between them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from tuner.card.dialect import Barrier, Dialect, HeatWords, Stop
from tuner.card.read import parse_card
from tuner.card.schema import Card
from tuner.messages import (
    Again,
    Approach,
    Ask,
    Checkpoint,
    Decided,
    Heat,
    Line,
    Message,
    Observe,
    Plan,
    Propose,
    Question,
    Reference,
    Reply,
    Say,
    Text,
    Undo,
    Value,
)
from tuner.safety.heat import Heater, Heaters
from tuner.safety.permit import Permit, Warrant
from tuner.wire.controller import HeatersLeft, MoveOutcome

CARD_TEXT = """
schema = 1
[machine]
name = "Test slide"
dialect = "printer"
hold_time_s = 120
[caliper]
range_mm = 150.0
resolution_mm = 0.01
error_limit_mm = 0.03
[axes.x]
drive = { kind = "belt", pitch_mm = 2.0, pulley_teeth = 20 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 80.0 }
range_mm = [0.0, 220.0]
reference = { at = "min", position_mm = 0.0 }
[axes.y]
drive = { kind = "belt", pitch_mm = 2.0, pulley_teeth = 20 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { travel_per_motor_rev_mm = 40.0 }
range_mm = [-110.0, 110.0]
moves = "bed"
[axes.z]
drive = { kind = "screw", pitch_mm = 2.0, starts = 4 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { mm_per_step = 0.0025 }
range_mm = [0.0, 250.0]
"""
FEEDER_TEXT = """
[axes.e]
drive = { kind = "feeder", diameter_mm = 7.3 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 140.0 }
filament_diameter_mm = 1.75
max_feed_mm_per_s = 3.0
max_temperature_c = 240
"""
COLD = (Heater("T", 21.0, 0.0), Heater("B", 20.5, 0.0))
ALL_OFF = HeatersLeft(True, "every heater reports that it is off")


def card(text: str = CARD_TEXT) -> Card:
    return parse_card(text, "test card")


def dialect(**changes: Any) -> Dialect:
    """A dialect with everything, whose stop is immediate."""
    known: dict[str, Any] = {
        "name": "test",
        "says": "a test",
        "source": "common practice",
        "acknowledgement": "ok",
        "barrier": Barrier("M400", True),
        "dwell_unit": "s",
        "setup": ("G21", "G91"),
        "reference": "G28 {axis}",
        "stop": Stop("M112", True, True),
        "position": "M114",
        "position_means": "planned",
        "temperatures": "M105",
        "switches": "M119",
        "heaters_off": ("M104 S0", "M140 S0"),
        "heat": HeatWords("M104 S{target}", "M140 S{target}"),
        "feeder_relative": "M83",
    }
    return Dialect(**{**known, **changes})


class SetClock:
    """A clock that somebody sets."""

    def __init__(self, now_s: float = 0.0) -> None:
        self.at_s = now_s

    def now_s(self) -> float:
        return self.at_s


class ScriptedPerson:
    """Answers from a list, or by a function of the question; leaves nothing unsaid."""

    def __init__(
        self, answers: Sequence[str] | Callable[[Question], str], seen: list[Any] | None = None
    ) -> None:
        self.seen: list[Any] = [] if seen is None else seen
        self._by = answers if callable(answers) else None
        self.left = [] if callable(answers) else list(answers)

    def tell(self, line: Line) -> None:
        self.seen.append(line)

    def discard_pending(self) -> None:
        self.seen.append("discard")

    def ask(self, question: Question) -> str:
        self.seen.append(question)
        return self._by(question) if self._by else self.left.pop(0)

    @property
    def lines(self) -> list[Line]:
        """Everything shown in order, questions as their lines."""
        return [
            one.line if isinstance(one, Question) else one
            for one in self.seen
            if not isinstance(one, str)
        ]

    def tagged(self, tag: str) -> list[Line]:
        return [line for line in self.lines if line.tag == tag]

    @property
    def tags(self) -> list[str]:
        shown = [one for one in self.seen if not isinstance(one, str) or one == "discard"]
        return ["discard" if one == "discard" else _line(one).tag for one in shown]


def _line(one: Any) -> Line:
    line = one.line if isinstance(one, Question) else one
    assert isinstance(line, Line)
    return line


@dataclass
class FakeController:
    """Says what it was told to say; `fails` maps the name of a method to what it raises.

    `heaters` may be a function of (the time in s, the lines that have heated).
    """

    heaters: Heaters | Callable[[float, list[str]], Heaters] = COLD
    left: HeatersLeft = ALL_OFF
    clock: SetClock = field(default_factory=SetClock)
    fails: dict[str, BaseException] = field(default_factory=dict)
    seen: list[Any] = field(default_factory=list)
    heated: list[str] = field(default_factory=list)
    position_unknown: bool = True

    def _does(self, name: str) -> None:
        self.seen.append(name)
        if name in self.fails:
            raise self.fails[name]

    def open_conversation(self) -> None:
        self._does("open")

    def temperatures(self) -> Heaters:
        self._does("temperatures")
        if callable(self.heaters):
            return self.heaters(self.clock.now_s(), self.heated)
        return self.heaters

    def heat(self, warrant: Warrant) -> None:
        self._does("heat")
        self.heated.append(warrant.redeem(self.clock.now_s()))

    def listen(self, seconds: float) -> None:
        self._does("listen")
        self.clock.at_s += seconds

    def position(self) -> Mapping[str, float]:
        self._does("position")
        return {"X": 1.5}

    def switches(self) -> Mapping[str, bool] | None:
        self._does("switches")
        return {"x_min": False}

    def move(self, permit: Permit) -> MoveOutcome:
        self._does("move")
        self.seen += permit.redeem(self.clock.now_s())
        self.clock.at_s += permit.seconds
        return MoveOutcome(True, permit.seconds)

    def check_arrival(self, within_mm: Mapping[str, float]) -> None:
        if "check_arrival" in self.fails:
            raise self.fails["check_arrival"]

    def position_established(self) -> None:
        self.position_unknown = False

    def stop(self) -> bool:
        self._does("stop")
        return True

    def heaters_off(self) -> HeatersLeft:
        self._does("heaters_off")
        return self.left

    def close(self) -> None:
        self._does("close")


@dataclass
class Hand:
    """Plays a plan without engine or machine: answers by key, reads a scale it was given.

    `answers` maps a key, or the part of it behind the axis, to an answer or to a list of
    answers that are used up in order. What is asked for and not there is an error.
    """

    answers: Mapping[str, Any] = field(default_factory=dict)
    scale: float = 1.0
    datum_mm: float = 60.0
    play_mm: float = 0.0
    grows: int = 1
    messages: list[Message] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._lists = {k: list(v) for k, v in self.answers.items() if isinstance(v, list)}

    def play(self, plan: Plan) -> Any:
        """Play `plan` to its end and return its result."""
        try:
            message = next(plan)
            while True:
                self.messages.append(message)
                message = plan.send(self.reply(message))
        except StopIteration as ended:
            return ended.value

    def reply(self, message: Message) -> Reply:
        for key in (message.key, message.key.partition(".")[2]):
            if self._lists.get(key):
                return _as_reply(self._lists[key].pop(0))
            if key in self.answers and key not in self._lists:
                return _as_reply(self.answers[key])
        match message:
            case Decided():
                return Value(message.value)
            case Say() | Checkpoint() | Approach() | Reference():
                return Value(None)
            case Heat(target_c=0):
                return Value(None)
            case Heat():
                return Value(float(message.target_c))
            case Propose():
                return Value("proposal-1")
            case Observe(what="leaving"):
                return Value(True)
            case Observe():
                return Value(None)
            case Ask(n=0):
                return Value(0.0)
            case Ask():
                return Value(self.reading_mm(message))
            case _:
                return Value(self._usual(message))

    def reading_mm(self, ask: Ask) -> float:
        lost_mm = self.play_mm / 2.0 * (1.0 if ask.approach == "plus" else -1.0)
        true_mm = self.datum_mm + self.grows * (self.scale * ask.at_mm - lost_mm)
        return round(true_mm - ask.block_mm, 2)

    @staticmethod
    def _usual(message: Message) -> Any:
        known = {
            "job-running": "no",
            "motor-power": "yes",
            "power-switch": True,
            "caliper-place": "depth-rod",
            "caliper-held": "placed",
            "free-minus": 100.0,
            "free-plus": 100.0,
            "no-room": "leave-axis",
            "slide-now": 60.0,
            "still": "yes",
            "first-move": "about-right",
            "origin": "declare",
            "holds": "yes",
            "motor-turn": "no",
            "when": "now",
            "left-out": "none",
            "touched": "unsure",
            "place-anew": True,
            "block-beside": True,
            "block": "none",
            "placed-again": True,
            "leave-how": "connect",
            "is-still": True,
            "looks-right": True,
            "heaters-since": "switched-off",
            "switch-pressed": True,
            "switch-clear": True,
        }
        for key in (message.key, message.key.partition(".")[2]):
            if key in known:
                return known[key]
        if ".look." in message.key:
            return "unsure"
        raise AssertionError(f"nobody knows an answer to {message}")

    def of(self, kind: type, behind: str = "") -> list[Any]:
        """Return the messages of that type whose key ends in `behind`."""
        return [m for m in self.messages if isinstance(m, kind) and m.key.endswith(behind)]

    @property
    def keys(self) -> list[str]:
        return [message.key for message in self.messages]


def _as_reply(answer: Any) -> Reply:
    return answer if isinstance(answer, Value | Again | Undo) else Value(answer)


def text_of(message: Message) -> str:
    """Return the prose of a message that has some."""
    assert isinstance(message, Say | Text | Ask | Checkpoint) or hasattr(message, "says")
    return str(message.says)  # type: ignore[union-attr]
