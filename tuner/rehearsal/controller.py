"""The simulated motion controller: bytes in, bytes out, time as an argument.

Rule: it has no port, no thread and no clock; its owner says what time it is. It answers like
controllers on real benches do: ``ok`` for a motion comes when the motion has been taken into
the queue, long before it ends. A line that cannot be carried out is answered by one ``error:``
line and no ``ok``. After M112 nothing moves, whatever is sent, until it is powered up again.

Words of NISTIR 6556 (RS-274/NGC): G1 G4 G20 G21 G28 G90 G91. Common practice without a source:
M82 M83 M104 M105 M112 M114 M119 M140 M400, milliseconds behind G4 P, an axis letter behind G28
for a search of its end switch. Its heaters, T and B, warm and cool at a steady rate.
"""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum

from tuner.rehearsal.physics import Mechanism, MotionQueue, Ramp

__all__ = ["Controller", "Held"]

QUEUE_BLOCKS = 16
LONGEST_LINE_BYTES = 96
ACCELERATION_MM_PER_S2 = 500.0
SEARCH_FEED_MM_PER_S = 5.0
SEARCH_RANGES = 1.5  # far enough to find a switch that the stored number puts too near
START_UP_S = 0.5
ANSWER_S = 0.002  # an answer never arrives in the instant of the question
MM_PER_INCH = 25.4  # exact by definition (NIST SP 811)
LONGEST_ECHO = 24

HOTTEST_C = 300.0

_TOKEN = re.compile(r"([A-Z])([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))?", re.ASCII)


@dataclass(frozen=True)
class Held:
    """What the controller holds for one axis, right or wrong."""

    steps_per_mm: float
    range_mm: float


@dataclass
class _Heater:
    """One heater: at `from_c` at `from_s`, and since then on its steady way to its target."""

    rests_at_c: float
    warms_c_per_s: float
    cools_c_per_s: float
    target_c: float = 0.0
    from_c: float = 0.0
    from_s: float = 0.0

    def __post_init__(self) -> None:
        self.from_c = self.rests_at_c

    def at_c(self, now_s: float) -> float:
        wanted_c = max(self.target_c, self.rests_at_c)
        seconds = now_s - self.from_s
        if wanted_c > self.from_c:
            return min(wanted_c, self.from_c + self.warms_c_per_s * seconds)
        return max(wanted_c, self.from_c - self.cools_c_per_s * seconds)

    def aim(self, target_c: float, now_s: float) -> None:
        self.from_c, self.from_s = self.at_c(now_s), now_s
        self.target_c = target_c


class _Waits(Enum):
    """What has to be true before a command is carried out."""

    FOR_NOTHING = "for nothing"
    FOR_ROOM = "for room in the motion queue"
    FOR_STANDSTILL = "for the end of all motion"


class _Refused(Exception):
    """The line cannot be carried out; the text goes behind ``error:``."""


_Words = dict[str, float | None]


@dataclass(frozen=True)
class _Command:
    letters: str
    waits: _Waits
    carry_out: Callable[[Controller, _Words, float], None]


@dataclass(frozen=True)
class _Task:
    """The one thing that happens next, and when."""

    at_s: float
    run: Callable[[float], None]


@dataclass
class _Modes:
    """What a reset puts back."""

    mm_per_unit: float
    steps: dict[str, int]
    position_mm: dict[str, float]
    is_absolute: bool = True
    feed_mm_per_min: float | None = None


def _number(words: _Words, letter: str) -> float:
    value = words[letter]
    if value is None:
        raise _Refused(f"word {letter} needs a number")
    return value


def _tokens(text: str) -> Iterator[tuple[str, float | None]]:
    """Yield letter and number of every word in `text`; raises ``_Refused``."""
    at = 0
    while at < len(text):
        match = _TOKEN.match(text, at)
        if match is None:
            raise _unknown(text[at:])
        letter, digits = match.groups()
        yield letter, None if digits is None else float(digits)
        at = match.end()


def _unknown(word: str) -> _Refused:
    return _Refused(f"unknown word {word[:LONGEST_ECHO]}")


def _parse(line: str) -> tuple[_Command, _Words]:
    """Return the command of `line`, which stands first, and its other words."""
    text = "".join(line.upper().split())
    (first, number), *rest = _tokens(text)
    name = first if number is None else f"{first}{number:g}"
    if name not in _COMMANDS:
        raise _unknown(name)
    words: _Words = {}
    for letter, value in rest:
        if letter not in _COMMANDS[name].letters:
            raise _unknown(letter if value is None else f"{letter}{value:g}")
        if letter in words:
            raise _Refused(f"word {letter} twice")
        words[letter] = value
    return _COMMANDS[name], words


class Controller:
    """One controller with the axes X, Y, Z.

    `held` has what it holds for each axis ("x", "y", "z"). `stuck_in_inches` makes it wake up in
    inches and take G21 without obeying it. All methods take `now_s`, which never goes back.
    """

    def __init__(
        self, mechanism: Mechanism, held: Mapping[str, Held], *, stuck_in_inches: bool = False
    ) -> None:
        self._mechanism = mechanism
        self._held = held
        self._stuck_in_inches = stuck_in_inches
        self._motion = MotionQueue(mechanism.turn, QUEUE_BLOCKS)
        self._heaters = {"T": _Heater(21.4, 2.0, 1.0), "B": _Heater(21.2, 0.5, 0.1)}
        self._reset(0.0)

    # --- the wire -----------------------------------------------------------------------

    def power_up(self, now_s: float) -> None:
        """Start anew: motion stops, modes and position are forgotten, the greeting follows.

        Bytes that arrive before the greeting are lost, as they are on a real bench.
        """
        self.advance(now_s)
        self._reset(now_s)

    def _reset(self, now_s: float) -> None:
        self._motion.halt(now_s)
        self._let_cool(now_s)
        self._now_s = now_s
        self._modes = _Modes(
            MM_PER_INCH if self._stuck_in_inches else 1.0,
            steps=dict.fromkeys(self._held, 0),
            position_mm=dict.fromkeys(self._held, 0.0),
        )
        self._partial = bytearray()
        self._skipping = False
        self._lines: deque[tuple[float, str]] = deque()
        self._out = bytearray()
        self._is_awake = False
        self._is_halted = False
        self._free_s = now_s
        self._task: _Task | None = _Task(now_s + START_UP_S, self._greet)

    def receive(self, data: bytes, now_s: float) -> None:
        """Take in bytes in pieces of any size; lines end with LF, CR or both."""
        self.advance(now_s)
        if not self._is_awake:
            return
        for byte in data:
            if byte in b"\r\n":
                self._line_ended()
            elif self._skipping:
                continue
            elif len(self._partial) == LONGEST_LINE_BYTES:
                self._skipping = True
            else:
                self._partial.append(byte)
        self.advance(now_s)

    def due(self, now_s: float) -> bytes:
        """Return what has been answered until `now_s` and not been fetched yet."""
        self.advance(now_s)
        data = bytes(self._out)
        self._out.clear()
        return data

    def next_event_s(self) -> float | None:
        """Return when something can happen next if nothing arrives; ``None``: never."""
        if self._out:
            return self._now_s
        return self._task.at_s if self._task else None

    def advance(self, now_s: float) -> None:
        """Carry out everything that is due until `now_s`."""
        while (task := self._take_due(now_s)) is not None:
            self._motion.advance(task.at_s)
            self._free_s = task.at_s
            task.run(task.at_s)
        self._motion.advance(now_s)
        self._now_s = now_s

    def is_moving(self) -> bool:
        """Say whether anything moves or is about to."""
        return self._motion.ends_s(self._now_s) > self._now_s

    def position(self, axis: str) -> float:
        """Return what the controller believes: the end of the last motion taken in, in its unit."""
        return self._modes.position_mm[axis] / self._modes.mm_per_unit

    # --- from bytes to tasks ------------------------------------------------------------

    def _greet(self, _at_s: float) -> None:
        self._is_awake = True
        self._say("start")
        self._say(f"simulated controller, axes {' '.join(self._held).upper()}")
        self._say("nothing has been referenced")

    def _say(self, text: str) -> None:
        self._out += f"{text}\n".encode("ascii", "backslashreplace")

    def _line_ended(self) -> None:
        was_too_long, self._skipping = self._skipping, False
        line = self._partial.decode("ascii", "backslashreplace").partition(";")[0].strip()
        self._partial.clear()
        if was_too_long:
            self._say(f"error: line longer than {LONGEST_LINE_BYTES} bytes")
        elif line.upper() == "M112":
            self._halt()
        elif line:
            self._lines.append((self._now_s, line))

    def _halt(self) -> None:
        """Stop at once: the stop word does not queue behind anything."""
        self._motion.halt(self._now_s)
        self._let_cool(self._now_s)
        self._lines.clear()
        self._task = None
        self._is_halted = True
        self._say("error: halted by M112; reopen the port to start again")

    def _let_cool(self, now_s: float) -> None:
        for heater in self._heaters.values():
            heater.aim(0.0, now_s)

    def _take_due(self, now_s: float) -> _Task | None:
        if self._task is None and self._lines:
            arrived_s, line = self._lines.popleft()
            self._task = self._task_for(line, max(arrived_s, self._free_s) + ANSWER_S)
        if self._task is None or self._task.at_s > now_s:
            return None
        task, self._task = self._task, None
        return task

    def _task_for(self, line: str, soonest_s: float) -> _Task:
        if self._is_halted:
            return _Task(soonest_s, lambda _: self._say("error: halted"))
        try:
            command, words = _parse(line)
        except _Refused as refusal:
            text = f"error: {refusal}"
            return _Task(soonest_s, lambda _: self._say(text))
        ready_s = {
            _Waits.FOR_NOTHING: soonest_s,
            _Waits.FOR_ROOM: self._motion.room_s(soonest_s),
            _Waits.FOR_STANDSTILL: self._motion.ends_s(soonest_s),
        }[command.waits]
        return _Task(ready_s, lambda at_s: self._carry_out(command, words, at_s))

    def _carry_out(self, command: _Command, words: _Words, at_s: float) -> None:
        try:
            command.carry_out(self, words, at_s)
        except _Refused as refusal:
            self._say(f"error: {refusal}")

    # --- the commands -------------------------------------------------------------------

    def _accept(self, _words: _Words, _at_s: float) -> None:
        self._say("ok")

    def _set_inches(self, words: _Words, at_s: float) -> None:
        self._modes.mm_per_unit = MM_PER_INCH
        self._accept(words, at_s)

    def _set_millimetres(self, words: _Words, at_s: float) -> None:
        if not self._stuck_in_inches:
            self._modes.mm_per_unit = 1.0
        self._accept(words, at_s)

    def _set_absolute(self, words: _Words, at_s: float) -> None:
        self._modes.is_absolute = True
        self._accept(words, at_s)

    def _set_relative(self, words: _Words, at_s: float) -> None:
        self._modes.is_absolute = False
        self._accept(words, at_s)

    def _move(self, words: _Words, at_s: float) -> None:
        modes = self._modes
        if "F" in words:
            feed = _number(words, "F") * modes.mm_per_unit
            if feed <= 0:
                raise _Refused("feed must be above 0")
            modes.feed_mm_per_min = feed
        if modes.feed_mm_per_min is None:
            raise _Refused("no feed")
        target_mm = {
            axis: _number(words, axis.upper()) * modes.mm_per_unit
            + (0.0 if modes.is_absolute else modes.position_mm[axis])
            for axis in self._held
            if axis.upper() in words
        }
        # Rounded from the whole position, so that no part of a step is lost over many moves.
        target_steps = {
            axis: round(to_mm * self._held[axis].steps_per_mm) for axis, to_mm in target_mm.items()
        }
        by_steps = {axis: steps - modes.steps[axis] for axis, steps in target_steps.items()}
        length_mm = math.hypot(*(to - modes.position_mm[axis] for axis, to in target_mm.items()))
        if any(by_steps.values()):
            ramp = Ramp(length_mm, modes.feed_mm_per_min / 60, ACCELERATION_MM_PER_S2)
            self._motion.add(by_steps, ramp, at_s)
        modes.steps.update(target_steps)
        modes.position_mm.update(target_mm)
        self._say("ok")

    def _dwell(self, words: _Words, at_s: float) -> None:
        milliseconds = _number(words, "P") if "P" in words else 0.0
        if milliseconds < 0:
            raise _Refused("dwell must not be below 0")
        self._task = _Task(at_s + milliseconds / 1000, lambda _: self._say("ok"))

    def _reference(self, words: _Words, at_s: float) -> None:
        axes = [axis for axis in self._held if axis.upper() in words] or list(self._held)
        self._search(axes, at_s)

    def _search(self, axes: list[str], at_s: float) -> None:
        axis = axes[0]
        held = self._held[axis]
        reach = -round(SEARCH_RANGES * held.range_mm * held.steps_per_mm)
        to_switch = self._mechanism.steps_to_switch(axis, reach)
        by_steps = reach if to_switch is None else to_switch
        if by_steps:
            length_mm = abs(by_steps) / held.steps_per_mm
            ramp = Ramp(length_mm, SEARCH_FEED_MM_PER_S, ACCELERATION_MM_PER_S2)
            self._motion.add({axis: by_steps}, ramp, at_s)

        def ended(then_s: float) -> None:
            self._modes.steps[axis] = 0
            self._modes.position_mm[axis] = 0.0
            if to_switch is None:
                self._say(f"error: switch of {axis.upper()} not found")
            elif axes[1:]:
                self._search(axes[1:], then_s)
            else:
                self._say("ok")

        self._task = _Task(self._motion.ends_s(at_s), ended)

    def _report_position(self, _words: _Words, _at_s: float) -> None:
        # "+ 0.0" turns a rounded -0.000 into 0.000
        self._say(
            " ".join(f"{a.upper()}:{round(self.position(a), 3) + 0.0:.3f}" for a in self._held)
        )
        self._say("ok")

    def _report_temperatures(self, _words: _Words, at_s: float) -> None:
        report = " ".join(
            f"{name}:{heater.at_c(at_s):.1f} /{heater.target_c:.1f}"
            for name, heater in self._heaters.items()
        )
        self._say(f"ok {report}")

    def _report_switches(self, _words: _Words, _at_s: float) -> None:
        self._say(
            " ".join(
                f"{axis.upper()}:{'pressed' if self._mechanism.is_pressed(axis) else 'open'}"
                for axis in self._held
            )
        )
        self._say("ok")

    def _heat_nozzle(self, words: _Words, at_s: float) -> None:
        self._heat("T", words, at_s)

    def _heat_bed(self, words: _Words, at_s: float) -> None:
        self._heat("B", words, at_s)

    def _heat(self, name: str, words: _Words, at_s: float) -> None:
        if "S" not in words:
            raise _Refused("word S is missing")
        target_c = _number(words, "S")
        if not 0 <= target_c <= HOTTEST_C:
            raise _Refused(f"target must be 0 to {HOTTEST_C:g}")
        self._heaters[name].aim(target_c, at_s)
        self._say("ok")


_COMMANDS: Mapping[str, _Command] = {
    "G1": _Command("XYZF", _Waits.FOR_ROOM, Controller._move),
    "G4": _Command("P", _Waits.FOR_STANDSTILL, Controller._dwell),
    "G20": _Command("", _Waits.FOR_NOTHING, Controller._set_inches),
    "G21": _Command("", _Waits.FOR_NOTHING, Controller._set_millimetres),
    "G28": _Command("XYZ", _Waits.FOR_STANDSTILL, Controller._reference),
    "G90": _Command("", _Waits.FOR_NOTHING, Controller._set_absolute),
    "G91": _Command("", _Waits.FOR_NOTHING, Controller._set_relative),
    # Modes of the feeder, which the machine does not have: taken, without effect.
    "M82": _Command("", _Waits.FOR_NOTHING, Controller._accept),
    "M83": _Command("", _Waits.FOR_NOTHING, Controller._accept),
    "M104": _Command("S", _Waits.FOR_NOTHING, Controller._heat_nozzle),
    "M105": _Command("", _Waits.FOR_NOTHING, Controller._report_temperatures),
    "M114": _Command("", _Waits.FOR_NOTHING, Controller._report_position),
    "M119": _Command("", _Waits.FOR_NOTHING, Controller._report_switches),
    "M140": _Command("S", _Waits.FOR_NOTHING, Controller._heat_bed),
    "M400": _Command("", _Waits.FOR_STANDSTILL, Controller._accept),
}
