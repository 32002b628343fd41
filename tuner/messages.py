"""What plans say and hear, and what a person sees.

A plan is a generator: it yields *messages* and receives a *reply* to each. It holds no
port, no clock and no file, so the same replies always lead to the same messages. The
engine turns messages into *lines* and *questions* for a person, and into moves.

The fingerprint of a message is its type, its key and its quantities. Prose is not part of
it (fields marked ``prose``), so wording can improve without breaking a recorded session.
Lengths are millimetres, feeds millimetres per minute, in the commanded scale of the
controller unless a name says ``true``.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

Approached = Literal["plus", "minus"]
Unit = Literal["mm", "deg"]
"""What a number counts: of an axis that turns, degrees stand where a name says mm."""

_LONGEST_LINE = 400


_PROSE = {"prose": True}

REFUSED = "refused"


# --- messages ---------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Say:
    """Tell the person something; the reply is ``Value(None)``."""

    key: str
    says: str = field(default="", metadata=_PROSE)
    tag: Literal["NOTE", "FIT", "RESULT", "STEP"] = "NOTE"
    fields: tuple[tuple[str, str], ...] = field(default=(), metadata=_PROSE)


@dataclass(frozen=True, kw_only=True)
class Confirm:
    """Ask for a plain yes or no without a default; the reply is ``Value(bool)``."""

    key: str
    says: str = field(default="", metadata=_PROSE)


@dataclass(frozen=True, kw_only=True)
class Choose:
    """Offer named options; the reply is ``Value(str)``, one of them.

    An empty `default` means that Enter answers nothing: safety hangs on the answer. For `also` see
    ``OneOf``.
    """

    key: str
    options: tuple[str, ...]
    default: str = ""
    also: tuple[tuple[str, str], ...] = field(default=(), metadata=_PROSE)
    says: str = field(default="", metadata=_PROSE)


@dataclass(frozen=True, kw_only=True)
class Text:
    """Ask for a text, or with `low_mm` and `high_mm` for a length in that interval.

    The reply is ``Value(str)``, or ``Value(float)`` in millimetres. `wanted` is what the
    prompt calls the text, `suggestions` are texts that a console can complete.
    """

    key: str
    default: str = ""
    low_mm: float | None = None
    high_mm: float | None = None
    wanted: str = field(default="text", metadata=_PROSE)
    unit: Unit = field(default="mm", metadata=_PROSE)
    suggestions: tuple[str, ...] = field(default=(), metadata=_PROSE)
    says: str = field(default="", metadata=_PROSE)


@dataclass(frozen=True, kw_only=True)
class Ask:
    """Ask for one caliper reading in mm; the reply is ``Value(float)``, Again or Undo.

    `low_mm` to `high_mm` is what the caliper can show. A reading further than
    `within_mm` from `expected_mm` is asked for once more before it counts. `n` counts the
    readings of an axis from 1; 0 is the zero check with closed jaws. `visit` counts the datums,
    `seat` how often the caliper was seated at this place without a move. A spacer block of
    `block_mm` stands between datum and caliper, and is not in the answer. `replaces` is the `n`
    of the reading that this one takes the place of, 0 without one.
    """

    key: str
    axis: str
    at_mm: float
    approach: Approached
    n: int
    low_mm: float
    high_mm: float
    expected_mm: float | None = None
    within_mm: float = 0.0
    may_undo: bool = False
    visit: int = 1
    seat: int = 1
    block_mm: float = 0.0
    replaces: int = 0
    unit: Unit = field(default="mm", metadata=_PROSE)
    says: str = field(default="", metadata=_PROSE)


@dataclass(frozen=True, kw_only=True)
class Approach:
    """Move one axis to a commanded position, arriving from one side; one consent.

    The reply is ``Value(None)``, or ``Value(REFUSED)`` where the controller refuses to feed
    filament: then its position is unknown.

    `over_mm` is how far the axis goes past the target first when it would otherwise
    arrive from the wrong side, so that play is always taken up the same way.
    `fresh` asks for the over-travel even when the axis already stands on the right side.
    """

    key: str
    axis: str
    to_mm: float
    approach: Approached
    over_mm: float
    feed_mm_per_min: float
    fresh: bool = False


@dataclass(frozen=True, kw_only=True)
class Reference:
    """Let the controller search the end switch of one axis; one caution, one consent."""

    key: str
    axis: str
    position_mm: float


@dataclass(frozen=True, kw_only=True)
class Heat:
    """Heat one heater to whole degrees C and wait until it is there; one caution, one consent.

    The reply is ``Value(float)``, what is reported then. With `target_c` 0 every heater is
    switched off instead, which needs no consent and waits for nothing: ``Value(None)``.
    """

    key: str
    heater: Literal["nozzle", "bed"]
    target_c: int


@dataclass(frozen=True, kw_only=True)
class Observe:
    """Turn to the controller; the reply is ``Value`` of plain data, None without a report.

    ``greeting`` opens the port, unless it is open, and waits until the controller is ready;
    ``leaving`` switches the heaters off, reads them back (the reply is whether that is
    confirmed) and closes.
    """

    key: str
    what: Literal["greeting", "temperatures", "position", "switches", "leaving"]


@dataclass(frozen=True, kw_only=True)
class Limits:
    """Where one axis may go, as far as is known now; replaces what was known before.

    `minus_mm` (<= 0) and `plus_mm` (>= 0) are free travel in true mm from the origin
    that was declared, `scale_low` and `scale_high` bound true travel / commanded travel.
    `direction_seen` is false until a move was watched: both ways must then be free.
    `at_mm` not None says that the axis stands at this commanded position now. `slant` bounds the
    true mm that the other axis of coupled belts moves for each commanded mm of this one.
    `astray_mm` is how far, in true mm, the axis may stand from where it is counted to be, either
    way: what it may have lost.
    """

    axis: str
    minus_mm: float
    plus_mm: float
    scale_low: float
    scale_high: float
    direction_seen: bool
    at_mm: float | None = None
    astray_mm: float = 0.0
    slant: float = 0.0


Decidable = None | bool | int | float | str | Limits | list[Any] | dict[str, Any]


@dataclass(frozen=True, kw_only=True)
class Decided:
    """Fix a computed value; the reply is that value live, and the recorded one in replay."""

    key: str
    value: Decidable = field(default=None, metadata=_PROSE)


@dataclass(frozen=True, kw_only=True)
class Checkpoint:
    """A place from which a session can be taken up again; the reply is ``Value(None)``."""

    key: str
    step: int
    of: int
    says: str = field(default="", metadata=_PROSE)


@dataclass(frozen=True, kw_only=True)
class Propose:
    """Write a proposal; the reply is ``Value(str)``, its identifier.

    A `draft` is only kept, the reply is ``Value(None)``: it is written if the session ends
    before the proposal itself comes. `finding` is the result as plain data, in the form of
    ``tuner examine --json``.
    """

    key: str
    axis: str
    draft: bool = False
    finding: dict[str, Any] = field(default_factory=dict, metadata=_PROSE)


Message = (
    Say
    | Confirm
    | Choose
    | Text
    | Ask
    | Approach
    | Reference
    | Heat
    | Observe
    | Decided
    | Checkpoint
    | Propose
)


def fingerprint(message: Message) -> dict[str, Any]:
    """Return type, key and quantities of `message` as JSON-ready data, without prose."""
    quantities = {
        one.name: getattr(message, one.name)
        for one in dataclasses.fields(message)
        if not one.metadata.get("prose")
    }
    return {
        "type": type(message).__name__,
        **{name: list(v) if isinstance(v, tuple) else v for name, v in quantities.items()},
    }


# --- replies ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Value:
    """An answer; with a reading comes when it was taken, in seconds of the session's clock."""

    value: Any
    at_s: float | None = None


@dataclass(frozen=True)
class Again:
    """Approach the same place once more and ask again."""


@dataclass(frozen=True)
class Undo:
    """Withdraw the answer before this one and go back to its question."""


class Interrupted(Exception):
    """Thrown into a plan at the message it waits for: there the session was cut off.

    It is taken up now, by another process and perhaps days later. Nobody talks to the machine
    any more, and nobody knows where its axes stand. `in_a_move` says that it was cut off while
    something moved, `heaters_on` that its heaters were not confirmed off.
    """

    def __init__(self, *, in_a_move: bool = False, heaters_on: bool = False) -> None:
        super().__init__()
        self.in_a_move = in_a_move
        self.heaters_on = heaters_on


Reply = Value | Again | Undo
Plan = Generator[Message, Reply, Any]
MakePlan = Callable[[], Plan]


# --- what a person sees -----------------------------------------------------------------


@dataclass(frozen=True)
class Line:
    """One thing shown: a tag, a stable key, fields for programs, prose for people."""

    tag: str
    key: str
    fields: tuple[tuple[str, str], ...] = ()
    says: str = ""

    def plain(self) -> str:
        """Return ``TAG key field=value … | prose`` on one line of at most 400 characters."""
        head = " ".join((self.tag, self.key, *(f"{name}={value}" for name, value in self.fields)))
        line = f"{head} | {self.says}" if self.says else head
        return line if len(line) <= _LONGEST_LINE else line[: _LONGEST_LINE - 1] + "…"


@dataclass(frozen=True)
class Go:
    """Only the word ``go`` (or ``stop``) answers; it is consent to `what`."""

    what: Literal["move", "heat"] = "move"


@dataclass(frozen=True)
class OneOf:
    """One of `options` by name or by number from 1; Enter means `default` if there is one.

    Where `may_undo`, here and below, ``back`` or ``undo`` takes the answer before back. `also` are
    pairs of plain words and the option that they mean. With a star behind them an answer that has
    words in it which begin so is that option, unless it has words of another, or a not.
    """

    options: tuple[str, ...]
    default: str = ""
    may_undo: bool = False
    also: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Length:
    """A length between `low_mm` and `high_mm`, in mm or with ``in``; for a reading also
    ``again``. An angle where `unit` says so."""

    low_mm: float
    high_mm: float
    is_reading: bool = False
    may_undo: bool = False
    default: str = ""
    unit: Unit = "mm"


@dataclass(frozen=True)
class Words:
    """Any text; Enter means `default`, and the prompt calls it `wanted`.

    `suggestions` are texts that are likely meant, for a console that can complete.
    """

    default: str = ""
    may_undo: bool = False
    wanted: str = "text"
    suggestions: tuple[str, ...] = ()


Accepts = Go | OneOf | Length | Words


@dataclass(frozen=True)
class Question:
    """A line that wants an answer, and what counts as one. `message` is what the plan said.

    `patience_s` is how long an answer may take, None for ever: what is hot is not left alone.
    """

    line: Line
    accepts: Accepts
    message: Message | None = None
    patience_s: float | None = None


class Person(Protocol):
    """Whoever answers: at a screen, behind a pipe, or simulated."""

    def tell(self, line: Line) -> None:
        """Show `line` at once."""

    def discard_pending(self) -> None:
        """Forget everything typed so far: it was typed before the next caution was read."""

    def ask(self, question: Question) -> str:
        """Show the question and return the answer as typed.

        Raises ``Stopped`` on a stop, and ``Unanswered`` after the question's `patience_s`.
        """


class Clock(Protocol):
    """The only source of time. A rehearsal brings a virtual one."""

    def now_s(self) -> float:
        """Seconds since an arbitrary start."""
