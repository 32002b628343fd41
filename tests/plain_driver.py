"""Drive a guided session in plain mode from outside, by tags and fields alone.

The program runs as a process of its own with a terminal on its standard input, as a real
port demands, and a pipe on its standard output. Nothing of the program is imported: what a
screen reader or another program could not know, the driver does not know either.

A question is answered by, in this order: ``answer_hook``; ``go`` for a CONFIRM; the
``caliper`` for a READING; for a CHOICE or TEXT the first pattern in the policy that fits the
key, then the built-in policy, then the default that the question names. A question that
none of these answers, or that is refused three times, ends the run: a guess would hide it.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import termios
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path

from evidence import Shown, parse_shown

__all__ = ["CHOICES", "DriverError", "PlainDriver", "SeenLine"]

# What a careful person at a healthy machine answers.
CHOICES: Mapping[str, str] = {
    "job-running": "no",
    "motor-power": "yes",
    "power-switch": "yes",
    "is-still": "yes",
    "heaters-since": "switched-off",
    "*.caliper-place": "depth-rod",
    "*.caliper-held": "placed",
    "*.origin": "declare",
    "*.first-move": "about-right",
    "*.still": "yes",
    "*.holds": "yes",
    "*.look.*": "unsure",
    "*.looks-right": "yes",
}

_QUESTIONS = frozenset({"CONFIRM", "READING", "CHOICE", "TEXT"})
_MOST_REFUSALS = 3
_USED_WRONGLY = 2
_TURN_S = 0.02  # how often ``while_waiting`` is called

Caliper = Callable[[str, str, Mapping[str, str]], str]


class DriverError(AssertionError):
    """The session did what nobody prepared for; the message ends with its last lines."""


@dataclass(frozen=True)
class SeenLine:
    """One line of standard output, `at_s` on the monotonic clock of the computer."""

    at_s: float
    text: str

    @property
    def shown(self) -> Shown:
        """The line taken apart into tag, key, fields and prose."""
        return parse_shown(self.text)


@dataclass
class PlainDriver:
    """One run of the program `argv`.

    caliper       : (axis, key, fields) -> what the caliper shows, as text
    choices       : key pattern (``fnmatch``) -> option; goes before ``CHOICES``
    texts         : key pattern -> text; "" is Enter
    answer_hook   : called with every line; a text is sent instead of the usual answer, or
                    at once when the line asks nothing; None leaves it to the policy
    while_waiting : called about every 20 ms; for a ``send`` or ``signal`` in mid-move
    terminal      : False puts a plain pipe on standard input
    environment   : additions to the environment of the program
    """

    argv: Sequence[str]
    caliper: Caliper | None = None
    choices: Mapping[str, str] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)
    answer_hook: Callable[[SeenLine], str | None] | None = None
    while_waiting: Callable[[PlainDriver], None] | None = None
    terminal: bool = True
    environment: Mapping[str, str] = field(default_factory=dict)
    cwd: Path | None = None
    lines: list[SeenLine] = field(default_factory=list, init=False)
    answers: list[tuple[str, str]] = field(default_factory=list, init=False)
    errors: bytearray = field(default_factory=bytearray, init=False)
    _process: subprocess.Popen[bytes] | None = field(default=None, init=False)
    _to_program: int = field(default=-1, init=False)
    _question: Shown | None = field(default=None, init=False)
    _refusals: int = field(default=0, init=False)

    # What a test reads afterwards.

    def tagged(self, tag: str) -> list[Shown]:
        """Return every line with `tag`, in order."""
        return [line.shown for line in self.lines if line.shown.tag == tag]

    def tail(self) -> str:
        """Return the last lines and the last of standard error, for a failing test."""
        said = "\n".join(line.text for line in self.lines[-15:])
        return f"{said}\n--- standard error\n{self.errors[-3000:].decode('utf-8', 'replace')}"

    # What a hook may do.

    def send(self, text: str) -> None:
        """Type `text` and Enter. A program that has ended hears nothing."""
        try:
            os.write(self._to_program, text.encode("utf-8") + b"\n")
        except OSError:
            return

    def signal(self, which: signal.Signals) -> None:
        """Send a signal to the program."""
        assert self._process is not None, "the program has not been started"
        self._process.send_signal(which)

    def end_input(self) -> None:
        """End the program's input: close the pipe, or hang up the terminal."""
        if self._to_program >= 0:
            os.close(self._to_program)
            self._to_program = -1

    # The run.

    def run(self, timeout_s: float = 60.0) -> int:
        """Run to the end and return the exit status.

        Raises ``DriverError`` when that takes longer than `timeout_s`, when a question
        cannot be answered, and when END is missing, not last, or names another status. A
        program that refuses its arguments (exit status 2) shows nothing, and no END.
        """
        process = self._start()
        try:
            self._serve(process, time.monotonic() + timeout_s)
            status = process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            raise DriverError(f"output ended, the program did not\n{self.tail()}") from None
        finally:
            if process.poll() is None:
                process.kill()
                process.wait()
            assert process.stdout is not None and process.stderr is not None
            process.stdout.close()
            process.stderr.close()
            self.end_input()
        self._check_end(status)
        return status

    def _start(self) -> subprocess.Popen[bytes]:
        if self.terminal:
            self._to_program, far = os.openpty()
            modes = termios.tcgetattr(far)
            modes[3] &= ~(termios.ECHO | termios.ECHONL)
            termios.tcsetattr(far, termios.TCSANOW, modes)
        else:
            far, self._to_program = os.pipe()
        try:
            self._process = subprocess.Popen(
                self.argv,
                stdin=far,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                env={**os.environ, "PYTHONIOENCODING": "utf-8", **self.environment},
                cwd=self.cwd,
                bufsize=0,
                start_new_session=True,
            )
        finally:
            os.close(far)
        return self._process

    def _serve(self, process: subprocess.Popen[bytes], deadline_s: float) -> None:
        assert process.stdout is not None and process.stderr is not None
        out, err = process.stdout.fileno(), process.stderr.fileno()
        open_ones = {out, err}
        partial = b""
        while open_ones:
            left_s = deadline_s - time.monotonic()
            if left_s <= 0:
                raise DriverError(f"no END in time\n{self.tail()}")
            ready, _, _ = select.select(list(open_ones), [], [], min(left_s, _TURN_S))
            for one in ready:
                data = os.read(one, 65536)
                if not data:
                    open_ones.discard(one)
                elif one == err:
                    self.errors += data
                else:
                    *whole, partial = (partial + data).split(b"\n")
                    for line in whole:
                        self._take(line.removesuffix(b"\r").decode("utf-8"))
            if self.while_waiting:
                self.while_waiting(self)
        if partial:
            raise DriverError(f"output ended inside a line: {partial!r}\n{self.tail()}")

    def _take(self, text: str) -> None:
        seen = SeenLine(time.monotonic(), text)
        self.lines.append(seen)
        shown = seen.shown
        if shown.tag == "NOTE" and shown.key == "refused":
            self._refusals += 1
            if self._refusals >= _MOST_REFUSALS:
                raise DriverError(f"refused {self._refusals} times\n{self.tail()}")
        asks = shown.tag in _QUESTIONS
        if asks:
            if self._question is None or self._question.key != shown.key:
                self._refusals = 0
            self._question = shown
        answer = self.answer_hook(seen) if self.answer_hook else None
        if answer is None and asks:
            answer = self._by_policy(shown)
        if answer is not None:
            self.answers.append((shown.key if asks else "", answer))
            self.send(answer)

    def _by_policy(self, shown: Shown) -> str:
        match shown.tag:
            case "CONFIRM":
                return "go"
            case "READING":
                if self.caliper is None:
                    raise DriverError(f"nobody holds a caliper for {shown.key}\n{self.tail()}")
                axis = shown.fields.get("axis") or shown.key.partition(".")[0].upper()
                return self.caliper(axis, shown.key, shown.fields)
            case "TEXT":
                text = _first(self.texts, shown.key)
                return "" if text is None else text
        option = _first(self.choices, shown.key) or _first(CHOICES, shown.key)
        options = shown.fields.get("options", "").split(",")
        if option is None and not shown.fields.get("default"):
            raise DriverError(f"no policy for {shown.key}, options {options}\n{self.tail()}")
        if option is not None and option not in options:
            raise DriverError(f"{option!r} is not an option of {shown.key}\n{self.tail()}")
        return option or ""

    def _check_end(self, status: int) -> None:
        if status == _USED_WRONGLY and not self.lines:
            return
        last = self.lines[-1].shown if self.lines else Shown("", "", {}, "")
        ends = len(self.tagged("END"))
        if last.tag != "END" or ends != 1:
            raise DriverError(f"END is not the last line, once (exit {status})\n{self.tail()}")
        if last.fields.get("exit") != str(status):
            raise DriverError(f"END says {last.fields}, the exit was {status}\n{self.tail()}")


def _first(policy: Mapping[str, str], key: str) -> str | None:
    return next((value for pattern, value in policy.items() if fnmatchcase(key, pattern)), None)
