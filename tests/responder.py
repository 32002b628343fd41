"""A machine and its controller, to try the whole program on.

The second opinion on the built-in simulated machine: it shares no code and no model with it,
and parses the words it hears by itself. Its lines are acknowledged before their motion ends,
as machines with a queue do.

``Machine`` is the machine alone: bytes in, bytes out, on whatever clock it is given.
``Responder`` puts it behind a pseudo-terminal: its bytes really travel through a terminal
device and its motion really takes time (divided by ``time_scale``). One thread serves the
terminal; everything public may be called from any other thread.

Lengths are mm; *true* ones are where the carriage is, the others are what the controller
counts. Model time is the clock's times ``time_scale``, in seconds.
"""

from __future__ import annotations

import os
import re
import select
import threading
import time
import tty
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Literal, Self

__all__ = ["Axis", "Crash", "Heard", "Machine", "Moved", "Responder"]

_MM_PER_INCH = 25.4
_QUEUE_LENGTH = 16  # lines; machines of this kind plan about so many ahead
# Faster than real heaters and slower than nothing, so that a wait for heat is a short one.
_WARMS_C_PER_S = 5.0
_COOLS_C_PER_S = 1.0
_POLL_S = 0.01  # how often it looks whether somebody opened the port
_REPORTS = ("M105", "M114", "M119")
_NUMBERED = re.compile(r"N([0-9]{1,9})\s*([^*]*?)\s*\*([0-9]{1,3})", re.ASCII)
_WORD = re.compile(r"([A-Z])\s*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))?\s*", re.ASCII)


@dataclass(frozen=True, kw_only=True)
class Axis:
    """One axis as it really is.

    stored_steps_per_mm : steps the controller makes for a commanded mm
    true_mm_per_step    : what one of these steps really moves the motor side of the play
    direction           : -1 when the motor runs backwards
    low_true_mm, high_true_mm : the hard ends; running into one is a ``Crash``
    switch_at           : the end at which a reference switch sits, if there is one;
                          found, it sets the controller's count to `switch_position_mm`
    """

    stored_steps_per_mm: float = 80.0
    true_mm_per_step: float = 0.0125
    play_mm: float = 0.0
    direction: Literal[1, -1] = 1
    start_true_mm: float = 100.0
    low_true_mm: float = 0.0
    high_true_mm: float = 220.0
    switch_at: Literal["min", "max"] | None = "min"
    switch_position_mm: float = 0.0
    search_mm_per_min: float = 600.0


@dataclass(frozen=True)
class Heard:
    """A line that arrived, `at_s` on the machine's clock."""

    at_s: float
    line: str


@dataclass(frozen=True)
class Moved:
    """Motion that was made: true positions before and after, by axis letter, in mm.

    `by_mm` is what the controller counted; `whole` is false when a stop cut it short.
    """

    line: str
    by_mm: Mapping[str, float]
    from_true_mm: Mapping[str, float]
    to_true_mm: Mapping[str, float]
    whole: bool


@dataclass(frozen=True)
class Crash:
    """The carriage ran into a hard end, at `true_mm`, while `line` was carried out."""

    axis: str
    true_mm: float
    line: str


@dataclass
class _Mechanism:
    """Motor, play and carriage of one axis. Steps are whole when at rest."""

    axis: Axis
    steps: float = 0.0
    motor_true_mm: float = 0.0
    carriage_true_mm: float = 0.0
    counted_from: float = 0.0  # steps at which the controller's count is `counted_as_mm`
    counted_as_mm: float = 0.0
    pressed: bool = False

    def __post_init__(self) -> None:
        self.motor_true_mm = self.carriage_true_mm = self.axis.start_true_mm

    @property
    def counted_mm(self) -> float:
        return self.counted_as_mm + (self.steps - self.counted_from) / self.axis.stored_steps_per_mm

    @property
    def true_mm_per_step(self) -> float:
        return self.axis.direction * self.axis.true_mm_per_step

    def count_as(self, position_mm: float) -> None:
        self.counted_from, self.counted_as_mm = self.steps, position_mm

    def turn_to(self, steps: float) -> bool:
        """Turn the motor; return whether the carriage was held back by a hard end.

        There the motor stalls: the controller goes on counting, the shaft does not turn.
        """
        axis, half = self.axis, self.axis.play_mm / 2
        self.motor_true_mm += (steps - self.steps) * self.true_mm_per_step
        self.steps = steps
        behind, ahead = self.motor_true_mm - half, self.motor_true_mm + half
        wanted = min(max(self.carriage_true_mm, behind), ahead)
        self.carriage_true_mm = min(max(wanted, axis.low_true_mm), axis.high_true_mm)
        self.motor_true_mm += self.carriage_true_mm - wanted
        # A micrometre of grace: a move that ends on the stop is no crash.
        return abs(wanted - self.carriage_true_mm) > 1e-3

    def search(self) -> tuple[float, bool]:
        """Return the steps to the end switch, and whether it would be met on the way."""
        axis = self.axis
        wanted_end = "max" if axis.switch_at == "max" else "min"
        toward = 1 if wanted_end == "max" else -1
        if axis.switch_at and axis.direction == 1:
            switch_mm = axis.low_true_mm if wanted_end == "min" else axis.high_true_mm
            motor_mm = switch_mm + toward * axis.play_mm / 2
            return round((motor_mm - self.motor_true_mm) / self.true_mm_per_step), True
        span_mm = 1.5 * (axis.high_true_mm - axis.low_true_mm)
        return float(round(toward * span_mm / axis.true_mm_per_step)), False

    def switch_pressed(self) -> bool:
        if self.pressed or self.axis.switch_at is None:
            return self.pressed
        end_mm = self.axis.low_true_mm if self.axis.switch_at == "min" else self.axis.high_true_mm
        return abs(self.carriage_true_mm - end_mm) < self.axis.true_mm_per_step


@dataclass
class _Job:
    """Something that takes time: steps of several axes at once, or a pause without any."""

    line: str
    by_steps: dict[str, float]
    duration_s: float
    answers_at_end: bool = False
    finds: str = ""  # the axis whose switch ends this job
    started_s: float | None = None
    from_steps: dict[str, float] = field(default_factory=dict)
    from_true_mm: dict[str, float] = field(default_factory=dict)
    from_counted_mm: dict[str, float] = field(default_factory=dict)
    crashed: set[str] = field(default_factory=set)


class Machine:
    """A simulated machine without a port: bytes go in, bytes come out, the clock is given.

    now_s             : the clock, in seconds, never going back
    silent            : hears, does nothing, never answers
    greeting          : the line said after a start; "" for none
    drop_answer_after : the answer after so many answers gets lost, once
    chatter           : says something nobody asked for before every answer
    error_on          : a command word that is refused and not carried out
    numbered          : lines with a number must have the next one and a true checksum
    heats             : whether heaters that are on become hot
    reports_at_once   : reports do not wait for the lines before them

    Whoever owns the port calls ``receive`` and ``advance``, and takes what ``said`` is handed.
    """

    def __init__(
        self,
        axes: Mapping[str, Axis] | None = None,
        *,
        now_s: Callable[[], float],
        said: Callable[[bytes], None],
        time_scale: float = 1.0,
        greeting: str = "start",
        start_time_s: float = 0.1,
        silent: bool = False,
        drop_answer_after: int | None = None,
        chatter: bool = False,
        error_on: str = "",
        temperatures_c: tuple[float, float] = (22.0, 21.5),
        dwell_unit: Literal["s", "ms"] = "ms",
        numbered: bool = False,
        heats: bool = True,
        reports_at_once: bool = False,
    ) -> None:
        configured = axes if axes is not None else {"X": Axis(), "Y": Axis(), "Z": Axis()}
        self.greeting = greeting
        self.silent = silent
        self.drop_answer_after = drop_answer_after
        self.chatter = chatter
        self.error_on = error_on
        self.numbered = numbered
        self.heats = heats
        self.reports_at_once = reports_at_once
        self.raw = bytearray()
        self.received: list[Heard] = []
        self.moves: list[Moved] = []
        self.crashes: list[Crash] = []
        self.targets_c = {"T": 0.0, "B": 0.0}
        self._clock_s = now_s
        self._said = said
        self._start_time_s = start_time_s
        self._dwell_s = 1.0 if dwell_unit == "s" else 0.001
        self._time_scale = time_scale
        self._axes = {letter: _Mechanism(axis) for letter, axis in configured.items()}
        self._cold_c = dict(zip("TB", temperatures_c, strict=True))
        self._now_c = dict(self._cold_c)
        self._heated_until_s = self._now_s()
        self._lock = threading.RLock()
        self._queue: deque[_Job] = deque()
        self._waiting: deque[str] = deque()
        self._partial = b""
        self._answers = 0
        self._last_number = 0
        self._deaf_until_s: float | None = None
        self._forget()

    # What a test sees and does.

    @property
    def lines(self) -> list[str]:
        """Every line that arrived, without its time."""
        with self._lock:
            return [heard.line for heard in self.received]

    @property
    def moving(self) -> bool:
        """Whether motion is being made or waits in the queue."""
        with self._lock:
            self._advance()
            return any(job.by_steps for job in self._queue)

    @property
    def halted(self) -> bool:
        """Whether a stop was received since the last start."""
        with self._lock:
            return self._halted

    def true_position(self, axis: str) -> float:
        """Return where the carriage of `axis` is now, in true mm: what a caliper would see."""
        with self._lock:
            self._advance()
            return self._axes[axis.upper()].carriage_true_mm

    def counted_position(self, axis: str) -> float:
        """Return where the controller believes that `axis` is now, in mm."""
        with self._lock:
            self._advance()
            return self._axes[axis.upper()].counted_mm

    def temperature_c(self, heater: Literal["T", "B"]) -> float:
        """Return how hot `heater` is now, in degrees C."""
        with self._lock:
            self._warm()
            return self._now_c[heater]

    def press(self, axis: str, pressed: bool = True) -> None:
        """Press the end switch of `axis` by hand, or let it go."""
        with self._lock:
            self._axes[axis.upper()].pressed = pressed

    def set_target(self, heater: Literal["T", "B"], target_c: float) -> None:
        """Switch `heater` on or off at the machine's own panel."""
        with self._lock:
            self._warm()
            self.targets_c[heater] = target_c

    def say(self, text: str) -> None:
        """Let the controller say something that nobody asked for."""
        with self._lock:
            self._write(text)

    def restart(self) -> None:
        """Restart the controller: motion stops, everything it knew is lost, it greets."""
        with self._lock:
            self._advance()
            self._cut_short()
            self._forget()
            self._write(self.greeting)

    # What the owner of the port does.

    def begin_start(self) -> None:
        """Restart the controller slowly: it is deaf for `start_time_s`, then it greets."""
        with self._lock:
            self._advance()
            self._cut_short()
            self._forget()
            self._deaf_until_s = self._clock_s() + self._start_time_s

    def receive(self, data: bytes) -> None:
        """Take bytes from the port; the clock says when they came."""
        now_s = self._clock_s()
        with self._lock:
            self._finish_start()
            self.raw += data
            *lines, self._partial = (self._partial + data).replace(b"\r", b"\n").split(b"\n")
            for raw in lines:
                line = raw.decode("latin-1").strip()
                if not line:
                    continue
                self.received.append(Heard(now_s, line))
                if self.silent or self._deaf_until_s is not None:
                    continue
                bare = self._counted(line) if self.numbered else line
                # A stop does not queue behind a move, and with some controllers no report does.
                if bare == "M112":
                    self._halt()
                elif bare in _REPORTS and self.reports_at_once:
                    self._answer(self._obey(bare) or "ok")
                elif bare is not None:
                    self._waiting.append(bare)

    def _counted(self, line: str) -> str | None:
        """Return `line` without number and checksum; None, and ask for it, when it is not whole."""
        if not line.startswith("N"):
            return line
        wanted = self._last_number + 1
        number, bare = _taken_apart(line)
        if bare is None or (number != wanted and not bare.startswith("M110")):
            self._write(f"error: line {wanted} did not arrive whole\nrs {wanted}\nok")
            return None
        self._last_number = number
        return bare

    def advance(self) -> None:
        """Bring everything to the present: the start, the motion, the lines that wait."""
        with self._lock:
            self._finish_start()
            self._advance()
            self._work()

    def next_event_s(self) -> float | None:
        """Return when something will happen by itself, on the clock, or None."""
        with self._lock:
            ends_s: list[float] = []
            if self._deaf_until_s is not None:
                ends_s.append(self._deaf_until_s)
            if self._queue and self._queue[0].started_s is not None:
                job = self._queue[0]
                assert job.started_s is not None
                ends_s.append((job.started_s + job.duration_s) / self._time_scale)
            return min(ends_s, default=None)

    def _finish_start(self) -> None:
        if self._deaf_until_s is not None and self._clock_s() >= self._deaf_until_s:
            self._deaf_until_s = None
            self._write(self.greeting)

    def _write(self, text: str) -> None:
        """Say `text`; nothing when there is nothing to say."""
        if text and not self.silent:
            self._said(text.encode("latin-1") + b"\n")

    def _answer(self, text: str = "ok") -> None:
        if self.chatter:
            self._write("// the fan turns")
        if self._answers != self.drop_answer_after:
            self._write(text)
        self._answers += 1

    # The controller.

    def _forget(self) -> None:
        """Be as after switching on."""
        self._absolute, self._mm_per_unit, self._feed_mm_per_min = True, 1.0, 0.0
        self._halted = False
        self._waiting.clear()
        self._partial = b""
        self._all_heaters_off()
        self._last_number = 0
        for mechanism in self._axes.values():
            mechanism.count_as(0.0)
        self._planned = {letter: one.counted_mm for letter, one in self._axes.items()}

    def _halt(self) -> None:
        self._advance()
        self._cut_short()
        self._waiting.clear()
        self._halted = True
        self._all_heaters_off()
        self._answer("error: halted")

    def _all_heaters_off(self) -> None:
        self._warm()
        for letter in self.targets_c:
            self.targets_c[letter] = 0.0

    def _warm(self) -> None:
        """Bring every heater to the present: up to its target, or down to where it started."""
        now_s = self._now_s()
        seconds, self._heated_until_s = now_s - self._heated_until_s, now_s
        for letter, target_c in self.targets_c.items():
            was_c = self._now_c[letter]
            if target_c <= was_c:
                floor_c = max(target_c, self._cold_c[letter])
                self._now_c[letter] = max(floor_c, was_c - _COOLS_C_PER_S * seconds)
            elif self.heats:
                self._now_c[letter] = min(target_c, was_c + _WARMS_C_PER_S * seconds)

    def _work(self) -> None:
        while self._waiting and not self._must_wait(self._waiting[0]):
            answer = self._obey(self._waiting.popleft())
            if answer is not None:
                self._answer(answer)

    def _must_wait(self, line: str) -> bool:
        if any(job.answers_at_end for job in self._queue) or len(self._queue) >= _QUEUE_LENGTH:
            return True
        return bool(self._queue) and line.startswith(("M400", "G4", "G28"))

    def _answer_at_end(self, job: _Job) -> None:
        job.answers_at_end = True
        self._enqueue(job)

    def _obey(self, line: str) -> str | None:
        """Carry out `line`; return the answer, or None where it comes when the job has ended."""
        if self._halted:
            return "error: halted"
        words = _words(line)
        if words is None:
            return "error: unknown"
        command, given = words
        if command == self.error_on:
            return "error: refused"
        match command:
            case "G21" | "G20":
                self._mm_per_unit = 1.0 if command == "G21" else _MM_PER_INCH
            case "G90" | "G91":
                self._absolute = command == "G90"
            case "G94" | "M83" | "M110" | "M400":
                pass
            case "G1":
                return self._line_to(line, given)
            case "G28":
                return self._find_switch(line, given)
            case "G4":
                self._answer_at_end(_Job(line, {}, (given.get("P") or 0.0) * self._dwell_s))
                return None
            case "M104" | "M140":
                if given.get("S") is None:
                    return "error: no temperature"
                self._warm()
                self.targets_c["T" if command == "M104" else "B"] = given["S"] or 0.0
            case "M105":
                self._warm()
                return "ok " + " ".join(
                    f"{letter}:{self._now_c[letter]:.1f} /{target_c:.1f}"
                    for letter, target_c in self.targets_c.items()
                )
            case "M114":
                return " ".join(f"{a}:{mm:.3f}" for a, mm in self._planned.items()) + "\nok"
            case "M119":
                return "\n".join(self._switches()) + "\nok"
            case _:
                return "error: unknown"
        return "ok"

    def _switches(self) -> list[str]:
        return [
            f"{letter.lower()}_{one.axis.switch_at}: "
            + ("pressed" if one.switch_pressed() else "open")
            for letter, one in self._axes.items()
            if one.axis.switch_at
        ]

    def _line_to(self, line: str, given: Mapping[str, float | None]) -> str:
        feed = given.get("F")
        if feed is not None:
            self._feed_mm_per_min = feed * self._mm_per_unit
        if self._feed_mm_per_min <= 0:
            return "error: no feed"
        letters = [letter for letter in given if letter != "F"]
        if not letters or not set(letters) <= set(self._axes):
            return "error: no such axis"
        by_steps: dict[str, float] = {}
        lengths_mm: list[float] = []
        for letter in letters:
            value = given[letter]
            if value is None:
                return "error: no number"
            mechanism = self._axes[letter]
            start_mm = self._planned[letter]
            to_mm = value * self._mm_per_unit + (0.0 if self._absolute else start_mm)
            # Whole steps are counted from the same zero, so rounding never adds up.
            per_mm = mechanism.axis.stored_steps_per_mm
            by_steps[letter] = round(to_mm * per_mm) - round(start_mm * per_mm)
            lengths_mm.append(to_mm - start_mm)
            self._planned[letter] = to_mm
        length_mm = sum(mm * mm for mm in lengths_mm) ** 0.5
        self._enqueue(_Job(line, by_steps, length_mm / self._feed_mm_per_min * 60))
        return "ok"

    def _find_switch(self, line: str, given: Mapping[str, float | None]) -> str | None:
        if len(given) != 1 or not set(given) <= set(self._axes):
            return "error: one axis at a time"
        (letter,) = given
        mechanism = self._axes[letter]
        steps, found = mechanism.search()
        length_mm = abs(steps) / mechanism.axis.stored_steps_per_mm
        duration_s = length_mm / mechanism.axis.search_mm_per_min * 60
        self._answer_at_end(_Job(line, {letter: steps}, duration_s, finds=letter if found else ""))
        return None

    # Motion.

    def _now_s(self) -> float:
        return self._clock_s() * self._time_scale

    def _enqueue(self, job: _Job) -> None:
        self._queue.append(job)
        if len(self._queue) == 1:
            self._start(job, self._now_s())

    def _start(self, job: _Job, at_s: float) -> None:
        job.started_s = at_s
        for letter in job.by_steps:
            mechanism = self._axes[letter]
            job.from_steps[letter] = mechanism.steps
            job.from_true_mm[letter] = mechanism.carriage_true_mm
            job.from_counted_mm[letter] = mechanism.counted_mm

    def _advance(self) -> None:
        """Bring the machine to the present."""
        now_s = self._now_s()
        while self._queue:
            job = self._queue[0]
            assert job.started_s is not None, "the first job in the queue always runs"
            end_s = job.started_s + job.duration_s
            done = now_s >= end_s
            self._turn(job, 1.0 if done else (now_s - job.started_s) / job.duration_s)
            if not done:
                return
            self._end(job, whole=True)
            if self._queue:
                self._start(self._queue[0], end_s)

    def _turn(self, job: _Job, part: float) -> None:
        for letter, by_steps in job.by_steps.items():
            mechanism = self._axes[letter]
            if mechanism.turn_to(job.from_steps[letter] + by_steps * part) and (
                letter not in job.crashed
            ):
                job.crashed.add(letter)
                self.crashes.append(Crash(letter, mechanism.carriage_true_mm, job.line))

    def _end(self, job: _Job, *, whole: bool) -> None:
        self._queue.popleft()
        if job.by_steps:
            self.moves.append(
                Moved(
                    job.line,
                    {a: self._axes[a].counted_mm - job.from_counted_mm[a] for a in job.by_steps},
                    job.from_true_mm,
                    {a: self._axes[a].carriage_true_mm for a in job.by_steps},
                    whole,
                )
            )
        if whole and job.finds:
            mechanism = self._axes[job.finds]
            mechanism.count_as(mechanism.axis.switch_position_mm)
            self._planned[job.finds] = mechanism.axis.switch_position_mm
        if whole and job.answers_at_end:
            self._answer("ok" if job.finds or not job.by_steps else "error: no switch found")

    def _cut_short(self) -> None:
        """Stop where the machine is now, to the nearest step, and empty the queue."""
        if not self._queue:
            return
        for letter in self._queue[0].by_steps:
            mechanism = self._axes[letter]
            mechanism.turn_to(float(round(mechanism.steps)))
        self._end(self._queue[0], whole=False)
        self._queue.clear()
        self._planned = {letter: one.counted_mm for letter, one in self._axes.items()}


class Responder(Machine):
    """A ``Machine`` at the end of a port; use it as a context manager.

    `device` is what to give as ``--port``. Its faults are those of ``Machine``, and:

    restarts_on_open  : whether opening the port restarts the controller, as many do
    ``unplug()``      : the port goes away
    """

    def __init__(
        self,
        axes: Mapping[str, Axis] | None = None,
        *,
        time_scale: float = 50.0,
        restarts_on_open: bool = True,
        **machine: Any,
    ) -> None:
        self._restarts_on_open = restarts_on_open
        self._unplugged = False
        self._in_use = False
        super().__init__(
            axes, now_s=time.monotonic, said=self._send, time_scale=time_scale, **machine
        )

    def __enter__(self) -> Self:
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self.device = os.ttyname(slave)
        # With no descriptor of ours on the far side, the terminal itself tells when
        # somebody opens and closes it.
        os.close(slave)
        os.set_blocking(self._master, False)
        self._wake_read, self._wake_write = os.pipe()
        self._thread = threading.Thread(target=self._serve, name="responder", daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.unplug()
        os.close(self._wake_read)
        os.close(self._wake_write)

    @property
    def in_use(self) -> bool:
        """Whether somebody holds the port open."""
        return self._in_use

    def restart(self) -> None:
        """Restart the controller: motion stops, everything it knew is lost, it greets."""
        super().restart()
        self._wake()

    def unplug(self) -> None:
        """Take the port away; what is in the queue goes on moving. Safe to repeat."""
        with self._lock:
            self._unplugged = True
        if self._thread.is_alive():
            self._wake()
            self._thread.join()

    def _wake(self) -> None:
        os.write(self._wake_write, b"w")

    def _serve(self) -> None:
        terminal = select.poll()
        terminal.register(self._master, select.POLLIN)
        terminal.register(self._wake_read, select.POLLIN)
        # An unopened far side reports "hung up" without end, so then only the wake is awaited.
        wake = select.poll()
        wake.register(self._wake_read, select.POLLIN)
        while True:
            looked = terminal if self._in_use else wake
            events = dict(looked.poll(self._patience_ms()))
            if self._wake_read in events:
                os.read(self._wake_read, 64)
            with self._lock:
                if self._unplugged:
                    os.close(self._master)
                    return
            # A port closed and opened again in one breath shows in the event alone.
            if self._in_use and events.get(self._master, 0) & select.POLLHUP:
                self._in_use = False
            elif not self._in_use and not self._far_side_is_closed():
                self._in_use = True
                if self._restarts_on_open:
                    self.begin_start()
            with self._lock:
                self._hear()
                self.advance()

    def _far_side_is_closed(self) -> bool:
        look = select.poll()
        look.register(self._master, select.POLLIN)
        return any(event & select.POLLHUP for _, event in look.poll(0))

    def _patience_ms(self) -> float:
        """Return how long nothing can happen without a byte arriving, in milliseconds."""
        ends_s = [1.0 if self._in_use else _POLL_S]
        event_s = self.next_event_s()
        if event_s is not None:
            ends_s.append(event_s - time.monotonic())
        return max(0.0, min(ends_s)) * 1000 + 0.5

    def _send(self, data: bytes) -> None:
        """Put `data` on the line; nothing when nobody listens or there is no room."""
        if self._unplugged:
            return
        try:
            os.write(self._master, data)
        except OSError:
            return

    def _hear(self) -> None:
        try:
            data = os.read(self._master, 4096)
        except OSError:
            return
        self.receive(data)


def _taken_apart(line: str) -> tuple[int, str | None]:
    """Return number and words of a numbered line; no words when its checksum is not true.

    The checksum is the exclusive or of every byte before the ``*``: common practice, no source.
    """
    match = _NUMBERED.fullmatch(line)
    if match is None:
        return 0, None
    true = 0
    for byte in line.partition("*")[0].encode("latin-1"):
        true ^= byte
    return int(match[1]), match[2] if true == int(match[3]) else None


def _words(line: str) -> tuple[str, dict[str, float | None]] | None:
    """Return the command word and its letters with their numbers, or None for nonsense."""
    text = line.upper()
    found: dict[str, float | None] = {}
    command = ""
    at = 0
    while at < len(text):
        match = _WORD.match(text, at)
        if match is None:
            return None
        letter, number = match.groups()
        if not command:
            if letter not in "GM" or number is None:
                return None
            command = f"{letter}{number}"
        elif letter in found:
            return None
        else:
            found[letter] = None if number is None else float(number)
        at = match.end()
    return (command, found) if command else None
