"""The simulated motion controller: bytes in, bytes out, time as an argument.

Rule: it has no port, no thread and no clock; its owner says what time it is. It answers like
controllers on real benches do: ``ok`` for a motion comes when the motion has been taken into
the queue, long before it ends. A line that cannot be carried out is answered by one ``error:``
line and no ``ok``. After M112 nothing moves, whatever is sent, until it is powered up again.
A position that it reports is the one it was told, not the one it went to.

Words of NISTIR 6556 (RS-274/NGC): G1 G4 G20 G21 G28 G90 G91. Common practice without a source:
M82 M83 M104 M105 M112 M114 M119 M140 M400, milliseconds behind G4 P, an axis letter behind G28
for a search of its end switch. The feeder E counts from where it stands after M83 and like the
axes after M82. Its heaters, T and B, warm and cool at a steady rate.
"""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Literal

from tuner.rehearsal.heater import Heater, Sensor
from tuner.rehearsal.mechanism import Mechanism
from tuner.rehearsal.motion import Block, MotionQueue, Ramp

__all__ = ["Controller", "Habits", "Held"]

QUEUE_BLOCKS = 16
LONGEST_LINE_BYTES = 96
ACCELERATION_MM_PER_S2 = 500.0
SEARCH_FEED_MM_PER_S = 5.0
SEARCH_RANGES = 1.5  # far enough to find a switch that the stored number puts too near
START_UP_S = 0.5
ANSWER_S = 0.002  # an answer never arrives in the instant of the question
MM_PER_INCH = 25.4  # exact by definition (NIST SP 811)
LONG_MOVE_MM = 10.0
FEEDER = "e"
LONGEST_ECHO = 24

HOTTEST_C = 300.0

_TOKEN = re.compile(r"([A-Z])([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))?", re.ASCII)


@dataclass(frozen=True)
class Held:
    """What the controller holds for one axis, right or wrong.

    Without `range_mm` the axis has no end switch. Positions outside `clips_mm` are clipped without
    a word. Read degrees for mm where an axis turns.
    """

    steps_per_mm: float
    range_mm: float | None = None
    clips_mm: tuple[float, float] = (-math.inf, math.inf)


@dataclass(frozen=True, kw_only=True)
class Habits:
    """What a controller does besides, for better or worse.

    `stuck_in_inches`: it wakes up in inches and takes G21 without obeying it. `coupled_belts`: it
    turns motor a for x + y and motor b for x - y. `coldest_feed_c`: it feeds no filament while the
    nozzle is colder. `feed_part` and `flow_part` are set at its panel: of the speed of every move,
    of what the feeder is told. `releases_after_s`: it takes the current off the motors after so
    long at rest, and whenever it halts or restarts. `breaks`: it restarts, or the cable comes out,
    in the middle of the long move number `breaks_in_move`; it takes the long move number
    `skips_move` and never makes it. Moves of 10 mm or more are long, and counted from 1.
    """

    stuck_in_inches: bool = False
    coupled_belts: bool = False
    coldest_feed_c: float | None = None
    feed_part: float = 1.0
    flow_part: float = 1.0
    releases_after_s: float = math.inf
    breaks: Literal["restart", "cable"] = "restart"
    breaks_in_move: int = 0
    skips_move: int = 0
    nozzle_has_wire: bool = True
    nozzle_sensor: Sensor = "firm"


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
    """A command word: its letters, and whether axes may follow: none, all, those with a switch."""

    letters: str
    axes: Literal["none", "all", "switched"]
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
    is_feeder_relative: bool = False
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


def _parse(line: str, held: Mapping[str, Held]) -> tuple[_Command, _Words]:
    """Return the command of `line`, which stands first, and its other words."""
    text = "".join(line.upper().split())
    (first, number), *rest = _tokens(text)
    name = first if number is None else f"{first}{number:g}"
    if name not in _COMMANDS:
        raise _unknown(name)
    command = _COMMANDS[name]
    axes = {"none": (), "all": held, "switched": _switched(held)}[command.axes]
    letters = {*command.letters, *(axis.upper() for axis in axes)}
    words: _Words = {}
    for letter, value in rest:
        if letter not in letters:
            raise _unknown(letter if value is None else f"{letter}{value:g}")
        if letter in words:
            raise _Refused(f"word {letter} twice")
        words[letter] = value
    return command, words


def _switched(held: Mapping[str, Held]) -> list[str]:
    return [axis for axis, one in held.items() if one.range_mm is not None]


class Controller:
    """One controller with the axes in `held` ("x", "y", …), what it holds for each.

    All methods take `now_s`, which never goes back. `is_unplugged` says that the cable came out.
    """

    def __init__(
        self, mechanism: Mechanism, held: Mapping[str, Held], habits: Habits | None = None
    ) -> None:
        self._mechanism = mechanism
        self._held = held
        self._habits = habits or Habits()
        self._motion = MotionQueue(mechanism.turn, QUEUE_BLOCKS, self._begins, self._at_middle)
        nozzle = Heater(
            21.4, 2.0, 1.0, self._habits.nozzle_has_wire, sensor=self._habits.nozzle_sensor
        )
        self._heaters = {"T": nozzle, "B": Heater(21.2, 0.5, 0.1)}
        self.is_unplugged = False
        self._still_s = 0.0
        self._long_moves = 0
        self._breaks_at_s: float | None = None
        self._reset(0.0)

    # --- the wire -----------------------------------------------------------------------

    def power_up(self, now_s: float) -> None:
        """Start anew: motion stops, modes and position are forgotten, the greeting follows.

        Bytes that arrive before the greeting are lost, as they are on a real bench.
        """
        self.advance(now_s)
        self.is_unplugged = False
        self._reset(now_s)

    def _reset(self, now_s: float) -> None:
        self._stand_still(now_s)
        self._now_s = now_s
        self._modes = _Modes(
            MM_PER_INCH if self._habits.stuck_in_inches else 1.0,
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
        events = [self._breaks_at_s, self._task.at_s if self._task else None]
        return min((at_s for at_s in events if at_s is not None), default=None)

    def advance(self, now_s: float) -> None:
        """Carry out everything that is due until `now_s`."""
        while (task := self._take_due(now_s)) is not None:
            self._pass_time(task.at_s)
            self._free_s = task.at_s
            task.run(task.at_s)
        self._pass_time(now_s)
        self._now_s = now_s

    def _pass_time(self, now_s: float) -> None:
        self._motion.advance(now_s)
        if now_s - self._still_s >= self._habits.releases_after_s:
            self._mechanism.let_go()

    def is_moving(self) -> bool:
        """Say whether anything moves or is about to."""
        return self._motion.ends_s(self._now_s) > self._now_s

    def position(self, axis: str) -> float:
        """Return what the controller believes: the end of the last motion taken in, in its unit."""
        return self._modes.position_mm[axis] / self._modes.mm_per_unit

    def temperature_c(self, heater: str, now_s: float) -> float:
        """Return how hot the heater "T" or "B" really is."""
        return self._heaters[heater].at_c(now_s)

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
        self._stand_still(self._now_s)
        self._lines.clear()
        self._task = None
        self._is_halted = True
        self._say("error: halted by M112; reopen the port to start again")

    def _stand_still(self, now_s: float) -> None:
        """Stop all motion and heat nothing."""
        self._motion.halt(now_s)
        self._still_s = now_s
        self._breaks_at_s = None
        if self._habits.releases_after_s < math.inf:
            self._mechanism.let_go()
        for heater in self._heaters.values():
            heater.aim(0.0, now_s)

    def _break(self, at_s: float) -> None:
        self._breaks_at_s = None
        if self._habits.breaks == "restart":
            self._reset(at_s)
        else:
            self.is_unplugged = True

    def _take_due(self, now_s: float) -> _Task | None:
        if self._task is None and self._lines:
            arrived_s, line = self._lines.popleft()
            self._task = self._task_for(line, max(arrived_s, self._free_s) + ANSWER_S)
        breaks_at_s = self._breaks_at_s
        if breaks_at_s is not None and breaks_at_s <= min(
            now_s, self._task.at_s if self._task else now_s
        ):
            return _Task(breaks_at_s, self._break)
        if self._task is None or self._task.at_s > now_s:
            return None
        task, self._task = self._task, None
        return task

    def _task_for(self, line: str, soonest_s: float) -> _Task:
        if self._is_halted:
            return _Task(soonest_s, lambda _: self._say("error: halted"))
        try:
            command, words = _parse(line, self._held)
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
        if not self._habits.stuck_in_inches:
            self._modes.mm_per_unit = 1.0
        self._accept(words, at_s)

    def _set_absolute(self, words: _Words, at_s: float) -> None:
        self._modes.is_absolute = True
        self._accept(words, at_s)

    def _set_relative(self, words: _Words, at_s: float) -> None:
        self._modes.is_absolute = False
        self._accept(words, at_s)

    def _set_feeder_like_axes(self, words: _Words, at_s: float) -> None:
        self._modes.is_feeder_relative = False
        self._accept(words, at_s)

    def _set_feeder_relative(self, words: _Words, at_s: float) -> None:
        self._modes.is_feeder_relative = True
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
            + (0.0 if self._is_absolute(axis) else modes.position_mm[axis])
            for axis in self._held
            if axis.upper() in words
        }
        self._refuse_cold_feed(target_mm, at_s)
        # Rounded from the whole position, so that no part of a step is lost over many moves.
        target_steps = self._steps_at(modes.position_mm | target_mm)
        by_steps = {plug: steps - modes.steps[plug] for plug, steps in target_steps.items()}
        length_mm = math.hypot(*(to - modes.position_mm[axis] for axis, to in target_mm.items()))
        if any(by_steps.values()):
            speed_mm_per_s = modes.feed_mm_per_min / 60 * self._habits.feed_part
            self._start(by_steps, Ramp(length_mm, speed_mm_per_s, ACCELERATION_MM_PER_S2), at_s)
        modes.steps = target_steps
        modes.position_mm.update(target_mm)
        self._say("ok")

    def _is_absolute(self, axis: str) -> bool:
        is_relative = axis == FEEDER and self._modes.is_feeder_relative
        return self._modes.is_absolute and not is_relative

    def _refuse_cold_feed(self, target_mm: Mapping[str, float], at_s: float) -> None:
        coldest_c = self._habits.coldest_feed_c
        if coldest_c is None or FEEDER not in target_mm:
            return
        if self._heaters["T"].shows_c(at_s) < coldest_c:
            raise _Refused(f"too cold to feed, the nozzle is below {coldest_c:g} C")

    def _steps_at(self, position_mm: Mapping[str, float]) -> dict[str, int]:
        """Return the microsteps of every plug that belong to a position of all axes."""
        clipped_mm = {
            axis: min(max(at_mm, self._held[axis].clips_mm[0]), self._held[axis].clips_mm[1])
            for axis, at_mm in position_mm.items()
        }
        return self._steps_for(clipped_mm)

    def _steps_for(self, by_mm: dict[str, float]) -> dict[str, int]:
        if self._habits.coupled_belts:
            by_mm = by_mm | {"x": by_mm["x"] + by_mm["y"], "y": by_mm["x"] - by_mm["y"]}
        if FEEDER in by_mm:
            by_mm = by_mm | {FEEDER: by_mm[FEEDER] * self._habits.flow_part}
        return {plug: round(mm * self._held[plug].steps_per_mm) for plug, mm in by_mm.items()}

    def _start(self, by_steps: Mapping[str, int], ramp: Ramp, at_s: float) -> None:
        is_long = ramp.length_mm >= LONG_MOVE_MM
        self._long_moves += is_long
        if is_long and self._long_moves == self._habits.skips_move:
            return
        self._mechanism.take_hold()
        block = self._motion.add(by_steps, ramp, at_s)
        self._still_s = block.end_s
        if is_long and self._long_moves == self._habits.breaks_in_move:
            self._breaks_at_s = block.middle_s

    def _begins(self, block: Block) -> None:
        self._mechanism.begin(block.speeds, self._heaters["T"].at_c(block.start_s))

    def _at_middle(self, block: Block) -> None:
        self._mechanism.strain(block.steps, block.speeds, block.middle_s)

    def _dwell(self, words: _Words, at_s: float) -> None:
        milliseconds = _number(words, "P") if "P" in words else 0.0
        if milliseconds < 0:
            raise _Refused("dwell must not be below 0")
        self._task = _Task(at_s + milliseconds / 1000, lambda _: self._say("ok"))

    def _reference(self, words: _Words, at_s: float) -> None:
        switched = _switched(self._held)
        self._search([axis for axis in switched if axis.upper() in words] or switched, at_s)

    def _search(self, axes: list[str], at_s: float) -> None:
        axis = axes[0]
        held = self._held[axis]
        reach_mm = SEARCH_RANGES * (held.range_mm or 0.0)
        reach = self._steps_for(dict.fromkeys(self._held, 0.0) | {axis: -reach_mm})
        to_switch = self._mechanism.steps_to_switch(axis, reach)
        by_steps = reach if to_switch is None else to_switch
        if by_steps[axis]:
            length_mm = abs(by_steps[axis]) / held.steps_per_mm
            self._start(
                by_steps, Ramp(length_mm, SEARCH_FEED_MM_PER_S, ACCELERATION_MM_PER_S2), at_s
            )

        def ended(then_s: float) -> None:
            self._modes.position_mm[axis] = 0.0
            self._modes.steps = self._steps_at(self._modes.position_mm)
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
            f"{name}:{heater.shows_c(at_s):.1f} /{heater.target_c:.1f}"
            for name, heater in self._heaters.items()
        )
        self._say(f"ok {report}")

    def _report_switches(self, _words: _Words, _at_s: float) -> None:
        self._say(
            " ".join(
                f"{axis.upper()}:{'pressed' if self._mechanism.is_pressed(axis) else 'open'}"
                for axis in _switched(self._held)
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
    "G1": _Command("F", "all", _Waits.FOR_ROOM, Controller._move),
    "G4": _Command("P", "none", _Waits.FOR_STANDSTILL, Controller._dwell),
    "G20": _Command("", "none", _Waits.FOR_NOTHING, Controller._set_inches),
    "G21": _Command("", "none", _Waits.FOR_NOTHING, Controller._set_millimetres),
    "G28": _Command("", "switched", _Waits.FOR_STANDSTILL, Controller._reference),
    "G90": _Command("", "none", _Waits.FOR_NOTHING, Controller._set_absolute),
    "G91": _Command("", "none", _Waits.FOR_NOTHING, Controller._set_relative),
    "M82": _Command("", "none", _Waits.FOR_NOTHING, Controller._set_feeder_like_axes),
    "M83": _Command("", "none", _Waits.FOR_NOTHING, Controller._set_feeder_relative),
    "M104": _Command("S", "none", _Waits.FOR_NOTHING, Controller._heat_nozzle),
    "M105": _Command("", "none", _Waits.FOR_NOTHING, Controller._report_temperatures),
    "M114": _Command("", "none", _Waits.FOR_NOTHING, Controller._report_position),
    "M119": _Command("", "none", _Waits.FOR_NOTHING, Controller._report_switches),
    "M140": _Command("S", "none", _Waits.FOR_NOTHING, Controller._heat_bed),
    "M400": _Command("", "none", _Waits.FOR_STANDSTILL, Controller._accept),
}
