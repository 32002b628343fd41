"""Plain mode: one line a message, for screen readers, pipes and other programs.

The rule it keeps: the order on the streams is the order of events. A line is out before
anything else happens; what was typed before the question of a move stood there never
answers it; ``stop`` counts always; ``END exit=N`` is the last line.
"""

from __future__ import annotations

import os
import textwrap
import threading
from collections.abc import Callable
from typing import TextIO

from tuner.console.desk import (
    StopRequest,
    Work,
    one_line,
    short_pauses,
    stop_failed,
    stop_on_signals,
)
from tuner.console.prompts import explanation
from tuner.console.typed import Typed
from tuner.messages import Go, Line, Question
from tuner.text import clipped

__all__ = ["HandsOff", "Plain"]

_LONGEST_LINE = 400  # characters; what plain mode promises
_HELP_WIDTH = 300  # of the words alone, so that none are cut off


class _Printer:
    """Lines out on `stdout`. A reader that goes away is a stop, not a crash."""

    def __init__(self, stdout: TextIO) -> None:
        self._stdout = stdout
        self._writing = threading.Lock()
        self._stopping = StopRequest.of_nothing()
        reconfigure = getattr(stdout, "reconfigure", None)  # only a TextIOWrapper has it
        if reconfigure:
            reconfigure(errors="replace", newline="\n")

    def tell(self, line: Line) -> None:
        """Print `line` at once; into nothing, once the other side went away."""
        if not self._print(clipped(one_line(line.plain()), _LONGEST_LINE)):
            self._stopping()

    def _print(self, text: str) -> bool:
        with self._writing:
            try:
                self._stdout.write(f"{text}\n")
                self._stdout.flush()
            except OSError:
                self._print_into_nothing()
                return False
        return True

    def _print_into_nothing(self) -> None:
        # What could not be written is still in the stream's buffer; it would fail again when
        # Python exits, and change the exit status (see SIGPIPE in the manual of `signal`).
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, self._stdout.fileno())
        os.close(nothing)

    def _run(
        self, work: Callable[[], int], stop: Callable[[], None], typed: Typed | None = None
    ) -> int:
        self._stopping = StopRequest(
            stop,
            wake=typed.wake if typed else lambda: None,
            failed=lambda error: self.tell(stop_failed(error)),
        )
        worker = Work(work, at_end=lambda: None)
        with stop_on_signals(self._stopping), short_pauses():
            if typed:
                typed.begin()
            worker.start()
            worker.wait()
            self._stopping.work_is_over()
            if typed:
                typed.end()
            self._print(f"END exit={worker.exit_status}")
        return worker.result()


class Plain(_Printer):
    """Lines out on `stdout`, answers in from the file descriptor of `stdin`.

    Nothing may have been read from `stdin` before: its bytes are taken from the
    descriptor itself, since a buffer in between could not be discarded.
    """

    def __init__(self, stdin: TextIO, stdout: TextIO) -> None:
        super().__init__(stdout)
        self._stdin = stdin  # kept: the descriptor is closed with it
        self._typed = Typed(stdin.fileno(), lambda: self._stopping())

    def discard_pending(self) -> None:
        """Forget every line, and piece of a line, typed so far; a ``stop`` in it counts."""
        self._typed.discard()

    def ask(self, question: Question) -> str:
        """Print the question and return the next line; see ``Person.ask``.

        Before the question of a move everything typed so far is discarded. To ``?`` it says what
        is asked, and waits on.
        """
        starts_a_move = isinstance(question.accepts, Go)
        self._typed.move_under_way = False
        if starts_a_move:
            self._typed.discard()
        self._stopping.refuse_if_asked()
        self.tell(question.line)
        while (answer := self._next(question)).strip() == "?":
            for says in textwrap.wrap(explanation(question.accepts, question.line), _HELP_WIDTH):
                self.tell(Line("NOTE", "help", (), says))
        if starts_a_move:
            self._typed.a_move_starts()
        self._stopping.refuse_if_asked()
        return answer

    def _next(self, question: Question) -> str:
        return self._typed.next(lambda: self._stopping.asked, question.patience_s)

    def serve(self, work: Callable[[], int], stop: Callable[[], None]) -> int:
        """Run `work` in a worker thread, see ``Console.serve``; print END last."""
        return self._run(work, stop, self._typed)


class HandsOff(_Printer):
    """A console that needs nobody: `answer` answers every question, signals stop it."""

    def __init__(self, answer: Callable[[Question], str], stdout: TextIO) -> None:
        super().__init__(stdout)
        self._answer = answer

    def discard_pending(self) -> None:
        """Nobody types here."""

    def ask(self, question: Question) -> str:
        """Print the question and return what `answer` says; raise ``Stopped`` on a stop."""
        self._stopping.refuse_if_asked()
        self.tell(question.line)
        text = self._answer(question)
        if text.strip().lower() == "stop":
            self._stopping()
        self._stopping.refuse_if_asked()
        return text

    def serve(self, work: Callable[[], int], stop: Callable[[], None]) -> int:
        """Run `work` in a worker thread, see ``Console.serve``; print END last."""
        return self._run(work, stop)
