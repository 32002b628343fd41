"""The line protocol, pure: bytes in, events out, bytes out. No port, no thread, no clock.

Rules it keeps:

* One command is outstanding at a time. The next line may be sent in ``READY`` only.
* An acknowledgement is taken for a line only when it cannot belong to another one. After
  anything that leaves this in doubt (a stop, a timeout, a refusal, a stray acknowledgement, a
  greeting) the state is ``MUST_RESYNC``, and there is one way back: wait for quiet, send a
  query whose report is recognisable, and discard every acknowledgement before that report.
* A controller without reports is back in step when everything sent to it has been
  acknowledged; if one acknowledgement was lost, only its greeting helps.
* A line we do not know is ``Chatter``, never an exception.
* Nothing is ever sent again from here. A request to resend is told, and whether it is for the
  line that is outstanding; then too the way on is to get back into step.

What may happen when is the table ``NEXT``; a missing entry is a mistake of ours. What a line
is, whenever it comes, is decided by the first rule that fits, without regard to capitals:

===========================================  ===============================================
the line                                     is heard as
===========================================  ===============================================
starts, or ends, with a greeting             ``Restarted``: at any moment; nothing sent before
                                             counts as answered or carried out
starts with the acknowledgement, as a word   the report behind it, if any; then
                                             ``Acknowledged`` while a line is outstanding,
                                             else ``StrayAcknowledgement`` (a second or a
                                             late one, or the one that follows an error)
starts with a request to resend              ``Refused``, with the number asked for
starts with an error                         ``Refused``, whatever comes behind it
holds a word for busy                        ``Busy``: alive, no answer
is a report, asked for or not                ``Temperatures``, ``Position``, ``Switches``: no
                                             answer by itself, but see `HEAR_REPORT`
anything else                                ``Chatter``, also between a line and its answer
===========================================  ===============================================

With a dialect that has checksums a line leaves as ``N7 M105*32``: its number, itself, and the
exclusive or of all bytes before the star (common practice, no source). Getting into step
starts counting anew. A stop, and what nobody hears the answer of, leave without a number: a
controller takes such a line whatever it counts (common practice), and they must not be
refused for a number.

Not safe for two threads: the owner holds one lock for "change the state and write one line",
and takes the same lock to feed, but never while reading or waiting.
"""

from __future__ import annotations

import functools
import operator
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import NoReturn

from tuner.card.dialect import Dialect
from tuner.errors import Defect
from tuner.safety.heat import Heater
from tuner.text import clipped, shown

__all__ = [
    "NEXT",
    "Acknowledged",
    "Busy",
    "Chatter",
    "Event",
    "Link",
    "Position",
    "Refused",
    "Restarted",
    "State",
    "Step",
    "StrayAcknowledgement",
    "Switches",
    "Temperatures",
]

# Reports of real controllers stay below a few hundred bytes; more than this is no line.
LONGEST_LINE_BYTES = 4096
LONGEST_TEXT = 200


# --- events -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Acknowledged:
    """The line that was outstanding has been accepted."""


@dataclass(frozen=True)
class StrayAcknowledgement:
    """An acknowledgement that belongs to no line we wait for; it counts for nothing."""


@dataclass(frozen=True)
class Refused:
    """The controller said that something is wrong, or asked for a line once more.

    `resend` is the number of the line that it asks for, None when it asks for none.
    """

    text: str
    resend: int | None = None


@dataclass(frozen=True)
class Restarted:
    """The controller greeted: it has just started, and has forgotten its position."""

    text: str


@dataclass(frozen=True)
class Busy:
    """The controller lives and asks for patience."""


@dataclass(frozen=True)
class Temperatures:
    """A temperature report, in degrees C."""

    heaters: tuple[Heater, ...]


@dataclass(frozen=True)
class Position:
    """A position report: axis in lower case -> mm as the controller counts them."""

    axes: Mapping[str, float]


@dataclass(frozen=True)
class Switches:
    """A report of end switches: name in lower case -> pressed. It may come in several pieces."""

    pressed: Mapping[str, bool]


@dataclass(frozen=True)
class Chatter:
    """A line that means nothing to us, made visible and clipped."""

    text: str


Event = (
    Acknowledged
    | StrayAcknowledgement
    | Refused
    | Restarted
    | Busy
    | Temperatures
    | Position
    | Switches
    | Chatter
)


# --- what is allowed when ---------------------------------------------------------------


class State(StrEnum):
    """Where the conversation stands."""

    READY = "ready for a line"
    WAITING = "waiting for the answer to a line"
    MUST_RESYNC = "out of step with the controller"
    RESYNCING = "waiting for the report that brings it back in step"
    CLOSED = "closed"


class Step(StrEnum):
    """What can happen to a conversation: what we do, and what we hear."""

    SEND = "send a line"
    SEND_UNHEARD = "send a line without waiting for its answer"
    STOP = "send a stop"
    TIME_OUT = "give up waiting"
    RESYNC = "ask for a report to get back in step"
    CLOSE = "close"
    HEAR_ACKNOWLEDGEMENT = "hear an acknowledgement"
    HEAR_LAST_ACKNOWLEDGEMENT = "hear the acknowledgement of everything sent"
    HEAR_REPORT = "hear the report that was asked for to get back in step"
    HEAR_REFUSAL = "hear a refusal"
    HEAR_GREETING = "hear a greeting"


_ALWAYS_OPEN: dict[Step, State] = {
    Step.SEND_UNHEARD: State.MUST_RESYNC,
    Step.STOP: State.MUST_RESYNC,
    Step.CLOSE: State.CLOSED,
    # A refusal is often followed by an acknowledgement of its own, so it is no end of a line.
    Step.HEAR_REFUSAL: State.MUST_RESYNC,
    # What was sent before a greeting, or during it, may be lost or not: nobody knows.
    Step.HEAR_GREETING: State.MUST_RESYNC,
}

NEXT: Mapping[State, Mapping[Step, State]] = {
    State.READY: {
        **_ALWAYS_OPEN,
        Step.SEND: State.WAITING,
        Step.HEAR_ACKNOWLEDGEMENT: State.MUST_RESYNC,
    },
    State.WAITING: {
        **_ALWAYS_OPEN,
        Step.TIME_OUT: State.MUST_RESYNC,
        Step.HEAR_ACKNOWLEDGEMENT: State.READY,
    },
    State.MUST_RESYNC: {
        **_ALWAYS_OPEN,
        # A stop from another thread can come between a wait and its end.
        Step.TIME_OUT: State.MUST_RESYNC,
        Step.RESYNC: State.RESYNCING,
        Step.HEAR_ACKNOWLEDGEMENT: State.MUST_RESYNC,
    },
    State.RESYNCING: {
        **_ALWAYS_OPEN,
        Step.TIME_OUT: State.MUST_RESYNC,
        Step.HEAR_ACKNOWLEDGEMENT: State.RESYNCING,
        Step.HEAR_LAST_ACKNOWLEDGEMENT: State.READY,
        Step.HEAR_REPORT: State.WAITING,
    },
    State.CLOSED: {Step.CLOSE: State.CLOSED},
}


def _impossible(state: State, step: Step) -> NoReturn:
    allowed = ", ".join(f"'{one.value}'" for one in NEXT[state])
    when = ", ".join(f"'{one.value}'" for one in State if step in NEXT[one])
    raise Defect(
        f"the conversation is '{state.value}'; '{step.value}' is possible only when it is {when}; "
        f"possible now: {allowed}"
    )


# --- lines ------------------------------------------------------------------------------

_LINE_END = re.compile(rb"[\r\n]")
# What a port reads while a controller starts: never part of a word, often in front of one.
_NOISE = bytes(byte for byte in range(256) if not 0x21 <= byte <= 0x7E)


class _Lines:
    """Cuts bytes, in pieces of any size, into lines without their ends; CR, LF and CRLF end one.

    A line longer than ``LONGEST_LINE_BYTES`` is handed out clipped as soon as it is too long,
    and the rest of it is dropped. Empty lines are dropped.
    """

    def __init__(self) -> None:
        self._partial = bytearray()
        self._skipping = False

    def cut(self, data: bytes) -> list[bytes]:
        lines: list[bytes] = []
        *whole, rest = _LINE_END.split(data)
        for end in whole:
            self._add(end, lines)
            if self._partial:
                lines.append(bytes(self._partial))
                self._partial.clear()
            self._skipping = False
        self._add(rest, lines)
        return lines

    def _add(self, piece: bytes, lines: list[bytes]) -> None:
        if self._skipping:
            return
        self._partial += piece
        if len(self._partial) > LONGEST_LINE_BYTES:
            lines.append(bytes(self._partial[:LONGEST_LINE_BYTES]))
            self._partial.clear()
            self._skipping = True


# --- reports (common practice, no source) -----------------------------------------------

_DIGITS = r"[+-]?[0-9]{1,7}(?:\.[0-9]{0,7})?"
_AXIS = re.compile(rf"([ABCEUVWXYZ])\s*:\s*({_DIGITS})(?=\s|$|[A-Z]\s*:)\s*")
# Any text may stand where a number should: a sensor that reports "nan" must not be overlooked.
_HEATER = re.compile(r"(?<![A-Z0-9@])([A-Z][0-9]?)\s*:\s*([^\s/]+)(?:\s*/\s*(\S+))?")
_SWITCH = re.compile(r"([a-z][a-z0-9_]*)\s*:\s*(open|pressed|triggered)(?:\s+|$)", re.IGNORECASE)
# While heating, some reports carry the extruder's number as E and seconds to wait as W.
_NO_HEATERS = ("E", "W")


def _is_about_heat(text: str) -> bool:
    """Say whether a report starts with a heater: T, or any letter with a target behind it."""
    first = _HEATER.match(text)
    return first is not None and (first[1].startswith("T") or first[3] is not None)


def _temperatures(text: str) -> Temperatures | None:
    heaters = []
    for name, *readings in (match.groups() for match in _HEATER.finditer(text)):
        if name in _NO_HEATERS and readings[1] is None:
            continue
        values = [reading for reading in readings if reading is not None]
        if not all(re.fullmatch(_DIGITS, value) for value in values):
            return None
        heaters.append(Heater(name, *map(float, values)))
    return Temperatures(tuple(heaters))


def _position(text: str) -> Position | None:
    axes: dict[str, float] = {}
    at = 0
    while match := _AXIS.match(text, at):
        axes.setdefault(match[1].lower(), float(match[2]))
        at = match.end()
    return Position(axes) if axes else None


def _switches(text: str) -> Switches | None:
    pressed: dict[str, bool] = {}
    at = 0
    while match := _SWITCH.match(text, at):
        pressed[match[1].lower()] = match[2].lower() != "open"
        at = match.end()
    return Switches(pressed) if pressed and at == len(text) else None


def _report(text: str) -> Temperatures | Position | Switches | None:
    if _is_about_heat(text):
        return _temperatures(text)
    return _position(text) or _switches(text)


_LINE_NUMBER = re.compile(r"[0-9]{1,9}", re.ASCII)


def _number_in(text: str) -> int | None:
    found = _LINE_NUMBER.search(text)
    return int(found[0]) if found else None


def _numbered(number: int, line: str) -> str:
    bare = f"N{number} {line}"
    checksum = functools.reduce(operator.xor, bare.encode("ascii"))
    return f"{bare}*{checksum}"


def _quoted(line: str) -> str:
    return shown(clipped(line.strip(), LONGEST_TEXT))


def _small(words: Iterable[str]) -> tuple[str, ...]:
    return tuple(word.lower() for word in words)


def _as_words(words: Iterable[str]) -> re.Pattern[str]:
    """Return what finds one of `words`, in small letters, as a word at the start of a text."""
    one_of_them = "|".join(map(re.escape, _small(words))) or "(?!)"  # of none: nothing fits
    return re.compile(rf"(?:{one_of_them})(?![^\W_])")


# --- the link ---------------------------------------------------------------------------


class Link:
    """One conversation in the words of `dialect`. It opens out of step: trust nothing before.

    After a ``Defect`` the state is what it was.
    """

    def __init__(self, dialect: Dialect) -> None:
        self._dialect = dialect
        self._state = State.MUST_RESYNC
        self._lines = _Lines()
        self._heard: tuple[str, ...] = ()
        self._unanswered = 0
        self._number = 0
        self._asked_again = False
        self._greetings = _small(dialect.greeting)
        self._errors = _small(dialect.error)
        self._busy = _small(dialect.busy)
        self._acknowledgement = _as_words((dialect.acknowledgement,))
        self._resends = _as_words(dialect.resend)
        self._resync_line: str
        self._resync_report: type[Position] | type[Temperatures] | None
        # A position is asked for rather than temperatures: those also come unasked.
        if dialect.position is not None:
            self._resync_line, self._resync_report = dialect.position, Position
        elif dialect.temperatures is not None:
            self._resync_line, self._resync_report = dialect.temperatures, Temperatures
        else:
            self._resync_line, self._resync_report = dialect.barrier.line, None

    @property
    def state(self) -> State:
        """Where the conversation stands."""
        return self._state

    @property
    def resync_line(self) -> str:
        """The query that brings both back in step, without number and checksum."""
        return self._resync_line

    @property
    def resync_lines(self) -> tuple[str, ...]:
        """The lines that ``resync_query`` sends, as they leave; the query is the last."""
        if self._dialect.line_number_reset is None:
            return (self._resync_line,)
        return (_numbered(0, self._dialect.line_number_reset), _numbered(1, self._resync_line))

    @property
    def asked_again(self) -> bool:
        """Whether the controller asked to resend the latest line that left with a number."""
        return self._asked_again

    @property
    def heard(self) -> tuple[str, ...]:
        """The lines that the latest ``feed`` completed, decoded but not made visible.

        Encoded again as UTF-8 with "surrogateescape" they are the bytes that came.
        """
        return self._heard

    def framed(self, line: str) -> str:
        """Return `line` as ``send`` would send it now."""
        return _numbered(self._number + 1, line) if self._dialect.checksum else line

    def send(self, line: str) -> bytes:
        """Return the bytes of `line`; its answer is outstanding from now on."""
        data = self._say(Step.SEND, self.framed(line))
        self._number += 1
        self._asked_again = False
        return data

    def send_unheard(self, line: str) -> bytes:
        """Return the bytes of `line`, which may leave at any time; nobody hears its answer."""
        return self._say(Step.SEND_UNHEARD, line)

    def stop(self) -> bytes:
        """Return the bytes of the stop, possible in every state but closed.

        Empty when the dialect has no stop; then too nothing leaves before a resync.
        """
        if self._dialect.stop is None:
            self._take(Step.STOP)
            return b""
        return self._say(Step.STOP, self._dialect.stop.line)

    def timed_out(self) -> None:
        """Give up waiting for an answer."""
        self._take(Step.TIME_OUT)

    def resync_query(self) -> bytes:
        """Return the bytes of the query that brings both back in step.

        The caller has waited until the controller was quiet, and waits for ``READY`` next.
        """
        data = self._say(Step.RESYNC, *self.resync_lines)
        self._number = 1
        return data

    def close(self) -> None:
        """End the conversation; what is fed afterwards is not heard."""
        self._take(Step.CLOSE)

    def feed(self, data: bytes) -> list[Event]:
        """Return what `data`, in pieces of any size, completes."""
        heard: list[str] = []
        events: list[Event] = []
        if self._state is not State.CLOSED:
            for line in self._lines.cut(data):
                heard.append(line.decode("utf-8", "surrogateescape"))
                events += self._events(line, heard[-1])
        self._heard = tuple(heard)
        return events

    def _take(self, step: Step) -> None:
        following = NEXT[self._state].get(step)
        if following is None:
            _impossible(self._state, step)
        self._state = following

    def _say(self, step: Step, *lines: str) -> bytes:
        data = "\n".join((*lines, "")).encode("ascii")
        self._take(step)
        self._unanswered += len(lines)
        return data

    def _events(self, line: bytes, decoded: str) -> tuple[Event, ...]:
        text = line.strip(_NOISE).decode("utf-8", "surrogateescape")
        small = text.lower()
        # A controller may restart in the middle of a line, so its greeting may end one.
        if small.startswith(self._greetings) or small.endswith(self._greetings):
            self._take(Step.HEAR_GREETING)
            self._unanswered = 0
            return (Restarted(_quoted(decoded)),)
        if self._acknowledgement.match(small):
            report = text[len(self._dialect.acknowledgement) :].strip()
            return (*self._reported(report), self._acknowledged())
        if self._resends.match(small):
            number = _number_in(small)
            self._asked_again |= self._dialect.checksum and number == self._number
            return (self._refused(_quoted(decoded), number),)
        if small.startswith(self._errors):
            return (self._refused(_quoted(decoded)),)
        if any(word in small for word in self._busy):
            return (Busy(),)
        if reported := self._reported(text):
            return reported
        return (Chatter(_quoted(decoded)),) if decoded.strip() else ()

    def _refused(self, visible: str, resend: int | None = None) -> Event:
        self._take(Step.HEAR_REFUSAL)
        self._unanswered = max(0, self._unanswered - 1)
        return Refused(visible, resend)

    def _reported(self, text: str) -> tuple[Event, ...]:
        report = _report(text) if text else None
        if report is None:
            return ()
        if self._state is State.RESYNCING and type(report) is self._resync_report:
            self._take(Step.HEAR_REPORT)
        return (report,)

    def _acknowledged(self) -> Event:
        self._unanswered = max(0, self._unanswered - 1)
        all_answered = self._resync_report is None and self._unanswered == 0
        if self._state is State.RESYNCING and all_answered:
            self._take(Step.HEAR_LAST_ACKNOWLEDGEMENT)
            return Acknowledged()
        was_waiting = self._state is State.WAITING
        self._take(Step.HEAR_ACKNOWLEDGEMENT)
        return Acknowledged() if was_waiting else StrayAcknowledgement()
