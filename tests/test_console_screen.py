"""The screen: what is typed comes back, what stops stops, nothing early consents.

Keys come through a pipe in place of a terminal; what is drawn goes to a stream on which the
typing thread can wait, and from there into an emulated terminal.
"""

from __future__ import annotations

import fcntl
import gc
import io
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace

import pyte
import pytest
from prompt_toolkit.data_structures import Size
from prompt_toolkit.input import PipeInput, create_pipe_input
from prompt_toolkit.output import DummyOutput
from prompt_toolkit.output.vt100 import Vt100_Output

from tuner.console import page
from tuner.console.screen import Screen
from tuner.errors import PortLost, Stopped, Unanswered
from tuner.messages import Accepts, Go, Length, Line, OneOf, Question, Words

PATIENCE_S = 10.0  # only ever waited for when a test fails
ROWS, COLUMNS = 24, 80

GO_PROMPT = "type go to move, Ctrl-X stops > "
CONFIRM = Question(Line("CONFIRM", "x.near.1", (("group", "7"),), "ready?"), Go())
TEXT = Question(Line("TEXT", "x.job", (("default", ""),), "a name?"), Words())
READING = Question(
    Line("READING", "x.near.1", (("axis", "X"), ("at_mm", "40.000"), ("n", "7"))),
    Length(0.0, 150.0, is_reading=True, may_undo=True),
)
STOP_KEYS = {"ctrl-x": "\x18", "ctrl-c": "\x03", "ctrl-d": "\x04"}


class Drawn(io.StringIO):
    """The stream behind the output: everything ever drawn, and a way to wait for some of it."""

    encoding = "utf-8"

    def __init__(self) -> None:
        super().__init__()
        self._written = threading.Condition()

    def write(self, text: str) -> int:
        with self._written:
            count = super().write(text)
            self._written.notify_all()
            return count

    def wait_for(self, text: str, times: int = 1) -> None:
        text = text.rstrip()  # blanks at the end of a line are not drawn
        with self._written:
            if not self._written.wait_for(lambda: self.getvalue().count(text) >= times, PATIENCE_S):
                raise AssertionError(f"{text!r} did not appear:\n{self.getvalue()!r}")

    def page(self, columns: int = COLUMNS) -> list[str]:
        """Everything as an emulated terminal, with rows enough for all of it, shows it."""
        screen = pyte.Screen(columns, 400)
        pyte.Stream(screen).feed(self.getvalue())
        return [line.rstrip() for line in screen.display]


class Bench:
    def __init__(self, keys: PipeInput, columns: int) -> None:
        self.keys = keys
        self.drawn = Drawn()
        self.screen = Screen(
            keys, Vt100_Output(self.drawn, lambda: Size(ROWS, columns), term="xterm")
        )
        self.stops = 0
        self.stopped = threading.Event()
        self.answers: list[str] = []

    def stop(self) -> None:
        self.stops += 1
        self.stopped.set()

    def tell(self, says: str) -> None:
        self.screen.tell(Line("NOTE", "note", (), says))

    def type_at(self, shown: str, keys: str, times: int = 1) -> None:
        self.drawn.wait_for(shown, times)
        self.keys.send_text(keys)

    def serve(self, work: Callable[[], int], typist: Callable[[], None] = lambda: None) -> int:
        errors: list[BaseException] = []

        def type_on() -> None:
            try:
                typist()
            except BaseException as error:
                errors.append(error)
                self.keys.send_text("\x18")  # so that the work ends too

        hands = threading.Thread(target=type_on)
        hands.start()
        try:
            return self.screen.serve(work, self.stop)
        finally:
            hands.join()
            if errors:
                raise errors[0]

    def ask(self, *questions: Question) -> Callable[[], int]:
        """Return work that asks `questions` and keeps the answers."""

        def work() -> int:
            for question in questions:
                self.answers.append(self.screen.ask(question))
            return 0

        return work


@pytest.fixture
def bench() -> Iterator[Bench]:
    with create_pipe_input() as keys:
        yield Bench(keys, COLUMNS)


# --- questions ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("accepts", "shown", "keys", "answer"),
    [
        (Go(), GO_PROMPT, "go\r", "go"),
        (Go(), GO_PROMPT, "GO\n", "GO"),
        (OneOf(("yes", "no")), "number or word > ", "2\r", "2"),
        (OneOf(("yes", "no"), "no"), "Enter for no > ", "\r", ""),
        (Length(0.0, 150.0, is_reading=True), "reading in mm > ", "12,34\r", "12,34"),
        (Length(0.0, 150.0, is_reading=True), "reading in mm > ", "again\r", "again"),
        (Length(0.0, 150.0), "length in mm > ", "0.5 in\r", "0.5 in"),
        (Words("bench"), "text, Enter for bench > ", "\r", ""),
        (Words(), "text > ", "bênch 漢\r", "bênch 漢"),
        (Words(), "text > ", "ab\x7fc\x1b[D\x1b[Dx\r", "xac"),
    ],
)
def test_what_was_typed_comes_back(
    bench: Bench, accepts: Accepts, shown: str, keys: str, answer: str
) -> None:
    question = Question(Line("TEXT", "k", (), "what?"), accepts)
    assert bench.serve(bench.ask(question), lambda: bench.type_at(shown, keys)) == 0
    assert bench.answers == [answer]
    assert bench.stops == 0


@pytest.mark.parametrize("wrong", ["\r", " \r", "y\r", "yes\r", "g o\r", "goo\r", "\x1b[A\r"])
def test_only_the_word_go_consents(bench: Bench, wrong: str) -> None:
    def typist() -> None:
        bench.type_at(GO_PROMPT, "go\r")
        bench.drawn.wait_for("again now")
        bench.type_at(GO_PROMPT, wrong, times=3)
        bench.drawn.wait_for("only go starts this move")
        bench.keys.send_text("go\r")

    def work() -> int:
        bench.ask(CONFIRM)()
        bench.tell("again now")
        return bench.ask(CONFIRM)()

    bench.serve(work, typist)
    assert bench.answers == ["go", "go"]


def test_a_wrong_answer_is_kept_from_the_work_and_its_reason_shown(bench: Bench) -> None:
    def typist() -> None:
        bench.type_at("reading in mm > ", "8x\r")
        bench.type_at("is not a length", "1512\r")
        bench.type_at("is outside 0 to 150 mm", "15.12\r")

    bench.serve(bench.ask(READING), typist)
    assert bench.answers == ["15.12"]
    page = "\n".join(bench.drawn.page())
    assert "  reading in mm > 8x\n  not taken: '8x' is not a length" in page
    assert "  reading in mm > 15.12\n" in page


def test_a_question_mark_explains_and_asks_again(bench: Bench) -> None:
    def typist() -> None:
        bench.type_at("reading in mm > ", "?\r")
        bench.type_at("takes the reading before", "12.34\r")

    bench.serve(bench.ask(READING), typist)
    assert bench.answers == ["12.34"]


def test_the_page_reads_in_the_order_of_events(bench: Bench) -> None:
    choice = Question(Line("CHOICE", "k", (), "What did it do?"), OneOf(("moved", "shook")))

    def work() -> int:
        bench.tell("first")
        bench.screen.tell(Line("CAUTION", "k", (("word", "WARNING"),), "hands out"))
        bench.screen.discard_pending()
        bench.ask(CONFIRM)()
        bench.screen.tell(Line("MOVED", "k", (), "motion ended"))
        return bench.ask(choice)()

    def typist() -> None:
        bench.type_at(GO_PROMPT, "go\r")
        bench.type_at("number or word > ", "1\r")

    bench.serve(work, typist)
    page = bench.drawn.page()
    assert page[: page.index("")] == [
        "  first",
        "  WARNING  hands out",
        "  ready?",
        f"  {GO_PROMPT}go",
        "  motion ended",
    ]
    rest = page[page.index("") + 1 :]
    assert rest[: rest.index("")] == [
        "  What did it do?",
        "     1  moved",
        "     2  shook",
        "  number or word > 1",
    ]
    assert not any(rest[rest.index("") :])  # the prompt is gone when the work has ended


@pytest.mark.parametrize("columns", [80, 100, 200])
def test_nothing_printed_is_wider_than_the_terminal_or_100(columns: int) -> None:
    with create_pipe_input() as keys:
        bench = Bench(keys, columns)
        says = "a sentence of middling words " * 20

        def work() -> int:
            bench.screen.tell(Line("CAUTION", "k", (("word", "WARNING"),), says))
            bench.tell(says + "x" * 250)
            return 0

        bench.serve(work)
        assert max(map(len, bench.drawn.page(300))) == min(100, columns - 1)


def test_text_from_outside_cannot_style_or_move_anything(bench: Bench) -> None:
    bench.serve(lambda: bench.tell("<b>bold</b> \x1b[31m %s {0}") or 0)
    assert "  <b>bold</b> \\x1b[31m %s {0}" in bench.drawn.page()


# --- stops ----------------------------------------------------------------------------------


@pytest.mark.parametrize("question", [CONFIRM, READING, TEXT])
@pytest.mark.parametrize("keys", [*STOP_KEYS.values(), "stop\r", " STOP\r", "12\x18", "\x1b\x18",
                                  "\x11\x18", "\x12\x18", "\x16\x18", "\x1b1\x18"])  # fmt: skip
def test_a_stop_at_a_question(bench: Bench, question: Question, keys: str) -> None:
    def work() -> int:
        with pytest.raises(Stopped):
            bench.screen.ask(question)
        assert bench.stops == 1
        with pytest.raises(Stopped):
            bench.screen.ask(TEXT)
        bench.tell("heaters are off")
        return 3

    assert bench.serve(work, lambda: bench.type_at(" > ", keys)) == 3
    assert "  heaters are off" in bench.drawn.page()


@pytest.mark.parametrize("keys", [*STOP_KEYS.values(), "stop\r", "nonsense\x18", "\r\rstop\r"])
def test_a_stop_while_nothing_is_asked(bench: Bench, keys: str) -> None:
    def work() -> int:
        bench.tell("moving")
        assert bench.stopped.wait(PATIENCE_S)
        bench.screen.ask(CONFIRM)
        return 0

    with pytest.raises(Stopped):
        bench.serve(work, lambda: bench.type_at("working, Ctrl-X stops > ", keys))
    assert bench.stops == 1
    assert GO_PROMPT not in bench.drawn.getvalue()


def test_the_key_itself_carries_out_the_stop_before_the_work_hears_of_it(bench: Bench) -> None:
    order: list[str] = []

    def work() -> int:
        try:
            bench.screen.ask(CONFIRM)
        except Stopped:
            order.append("work")
        return 3

    hands = threading.Thread(target=lambda: bench.type_at(GO_PROMPT, "\x18"))
    hands.start()
    bench.screen.serve(work, lambda: order.append(threading.current_thread().name))
    hands.join()
    assert order == ["MainThread", "work"]


def test_the_stop_key_repeats_the_stop_and_ends_nothing(bench: Bench) -> None:
    twice = threading.Event()

    def stop() -> None:
        bench.stop()
        if bench.stops == 2:
            twice.set()

    def work() -> int:
        with pytest.raises(Stopped):
            bench.screen.ask(CONFIRM)
        bench.tell("told to stop")
        assert twice.wait(PATIENCE_S)
        # Printed anew below a line, hence whole; otherwise only what differs is drawn.
        bench.drawn.wait_for("stopping, Ctrl-X repeats the stop >")
        return 3

    def typist() -> None:
        bench.type_at(GO_PROMPT, "\x18")
        bench.type_at("told to stop", "\x18")

    hands = threading.Thread(target=typist)
    hands.start()
    assert bench.screen.serve(work, stop) == 3
    hands.join()


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
@pytest.mark.parametrize("asked", [True, False])
def test_signals_stop(bench: Bench, name: str, asked: bool) -> None:
    def work() -> int:
        if not asked:
            bench.tell("moving")
            assert bench.stopped.wait(PATIENCE_S)
        bench.screen.ask(CONFIRM)
        return 0

    def typist() -> None:
        bench.drawn.wait_for(GO_PROMPT if asked else "moving")
        os.kill(os.getpid(), getattr(signal, name))

    with pytest.raises(Stopped):
        bench.serve(work, typist)
    assert bench.stops == 1


@pytest.mark.parametrize("asked", [True, False])
def test_the_end_of_input_stops(bench: Bench, asked: bool) -> None:
    def work() -> int:
        if not asked:
            bench.tell("moving")
            assert bench.stopped.wait(PATIENCE_S)
        with pytest.raises(Stopped):
            bench.screen.ask(CONFIRM)
        bench.tell("last words")
        return 3

    def typist() -> None:
        bench.drawn.wait_for(GO_PROMPT if asked else "moving")
        bench.keys.close()

    assert bench.serve(work, typist) == 3
    assert bench.stops >= 1
    assert "  last words" in bench.drawn.page()


def test_a_terminal_that_cannot_be_drawn_on_stops(bench: Bench) -> None:
    def work() -> int:
        bench.tell("moving")
        bench.drawn.wait_for("moving")

        def broken(_text: str) -> int:
            raise OSError(5, "the terminal is gone")

        bench.drawn.write = broken  # type: ignore[method-assign]
        bench.tell("into nothing")
        assert bench.stopped.wait(PATIENCE_S)
        bench.screen.ask(CONFIRM)
        return 0

    with pytest.raises(Stopped):
        bench.serve(work)


def test_a_failing_stop_is_shown_with_what_to_do(bench: Bench) -> None:
    def stop() -> None:
        raise PortLost("the cable is out")

    def work() -> int:
        with pytest.raises(Stopped):
            bench.screen.ask(CONFIRM)
        bench.drawn.wait_for("power switch")
        return 3

    hands = threading.Thread(target=lambda: bench.type_at(GO_PROMPT, "\x18"))
    hands.start()
    assert bench.screen.serve(work, stop) == 3
    hands.join()
    assert any("WARNING" in line for line in bench.drawn.page())


# --- early keys -----------------------------------------------------------------------------


@pytest.mark.parametrize("early", ["go\r", "go", "\r", "g", "12\rgo\r" * 100, "\x1b", "\x1b[A"])
def test_keys_pressed_before_the_question_of_a_move_never_consent(bench: Bench, early: str) -> None:
    rounds = 10

    def work() -> int:
        for number in range(rounds):
            bench.keys.send_text(early)
            bench.answers.append(bench.screen.ask(CONFIRM))
            bench.tell(f"round {number}.")
        return 0

    def typist() -> None:
        for number in range(rounds):
            if number:
                bench.drawn.wait_for(f"round {number - 1}.")
            bench.drawn.wait_for("ready?", number + 1)
            bench.keys.send_text("Go\r")

    bench.serve(work, typist)
    assert bench.answers == ["Go"] * rounds
    assert "not taken" not in bench.drawn.getvalue()


def test_a_stop_among_early_keys_counts(bench: Bench) -> None:
    def work() -> int:
        bench.keys.send_text("go\r\x18go\r")
        bench.screen.discard_pending()
        bench.screen.ask(CONFIRM)
        return 0

    with pytest.raises(Stopped):
        bench.serve(work)
    assert bench.stops == 1


def test_half_typed_words_do_not_run_into_the_next_question(bench: Bench) -> None:
    def work() -> int:
        bench.tell("moving")
        bench.drawn.wait_for("hal")
        return bench.ask(TEXT)()

    def typist() -> None:
        bench.type_at("moving", "hal")
        bench.type_at("text > ", "whole\r")

    bench.serve(work, typist)
    assert bench.answers == ["whole"]


# --- the end --------------------------------------------------------------------------------


def test_ended_work_leaves_nothing_waiting_and_the_console_serves_again(bench: Bench) -> None:
    assert bench.serve(lambda: 0) == 0
    assert bench.serve(bench.ask(TEXT), lambda: bench.type_at("text > ", "x\r")) == 0
    assert bench.answers == ["x"]


def test_a_collection_of_everything_loaded_cannot_hold_a_stop_up(bench: Bench) -> None:
    assert bench.serve(lambda: int(gc.get_freeze_count() > 1000)) == 1
    assert gc.get_freeze_count() == 0


def test_an_error_out_of_work_is_raised(bench: Bench) -> None:
    def work() -> int:
        raise PortLost("the cable is out")

    with pytest.raises(PortLost, match="the cable is out"):
        bench.serve(work)


def test_a_console_without_a_drawing_surface() -> None:
    with create_pipe_input() as keys:
        screen = Screen(keys, DummyOutput())

        def work() -> int:
            screen.tell(Line("NOTE", "a", (), "b"))
            keys.send_text("\x18")
            screen.ask(CONFIRM)
            return 0

        with pytest.raises(Stopped):
            screen.serve(work, lambda: None)


# --- a real terminal of 80 x 24 ---------------------------------------------------------------

PROGRAM = """
import sys, threading
from tuner.console import page
from tuner.console.screen import Screen
from tuner.errors import Stopped
from tuner.messages import Go, Line, Question

screen = Screen()
stopped = threading.Event()

def work():
    screen.tell(Line("CAUTION", "x", (("word", "WARNING"),), "hands out " * 20))
    screen.ask(Question(Line("CONFIRM", "x", (), "ready?"), Go()))
    screen.tell(Line("NOTE", "busy", (), "moving now"))
    stopped.wait()
    screen.tell(Line("NOTE", "last", (), "heaters are off"))
    raise Stopped("stopped")

try:
    status = screen.serve(work, stopped.set)
except Stopped as error:
    status = error.exit_status
sys.exit(status)
"""


class Terminal:
    """A program on a pseudo-terminal that answers nothing but keys."""

    def __init__(self) -> None:
        self.person, program = pty.openpty()
        fcntl.ioctl(program, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        self.before = termios.tcgetattr(program)
        self.process = subprocess.Popen(
            [sys.executable, "-c", PROGRAM],
            stdin=program,
            stdout=program,
            stderr=program,
            env={**os.environ, "TERM": "xterm"},
            start_new_session=True,
        )
        self.program = program
        self.screen = pyte.Screen(COLUMNS, ROWS)
        self.stream = pyte.ByteStream(self.screen)
        self.raw = b""

    def wait_for(self, text: str) -> None:
        while not any(text in line for line in self.screen.display):
            ready, _, _ = select.select([self.person], [], [], PATIENCE_S)
            assert ready, "\n".join(self.screen.display)
            piece = os.read(self.person, 65536)
            self.raw += piece
            self.stream.feed(piece)

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        for descriptor in (self.person, self.program):
            with suppress(OSError):
                os.close(descriptor)


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    made = Terminal()
    yield made
    made.close()


def test_a_session_on_a_real_terminal(terminal: Terminal) -> None:
    terminal.wait_for(GO_PROMPT.strip())
    lines = [line.rstrip() for line in terminal.screen.display]
    assert lines[0] == "─" * (COLUMNS - 1)
    assert lines[1].startswith("  WARNING  hands out")
    os.write(terminal.person, b"go\r")
    terminal.wait_for("moving now")  # the work has its answer, and is not stopped before it
    terminal.wait_for("working, Ctrl-X stops")
    os.write(terminal.person, b"\x18")
    terminal.wait_for("heaters are off")
    assert terminal.process.wait(PATIENCE_S) == 3
    assert termios.tcgetattr(terminal.program) == terminal.before  # left as it was found
    assert b"\x1b[6n" not in terminal.raw  # no cursor position was asked for
    assert b"\x1b[?1049h" not in terminal.raw  # and no other screen used


@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT", "SIGHUP"])
def test_a_signal_on_a_real_terminal(terminal: Terminal, name: str) -> None:
    terminal.wait_for(GO_PROMPT.strip())
    os.write(terminal.person, b"go\r")
    terminal.wait_for("moving now")
    terminal.process.send_signal(getattr(signal, name))
    terminal.wait_for("heaters are off")
    assert terminal.process.wait(PATIENCE_S) == 3
    assert termios.tcgetattr(terminal.program) == terminal.before


def test_a_question_without_patience_is_taken_back_and_the_next_one_is_asked(bench: Bench) -> None:
    def work() -> int:
        with pytest.raises(Unanswered):
            bench.screen.ask(replace(TEXT, patience_s=0.5))
        bench.tell("heaters off")
        bench.drawn.wait_for("working, Ctrl-X stops > ", 2)
        return bench.ask(replace(TEXT, patience_s=PATIENCE_S))()

    def typist() -> None:
        bench.drawn.wait_for("heaters off")
        bench.type_at("text > ", "here\r", 2)

    assert bench.serve(work, typist) == 0
    assert bench.answers == ["here"]


def test_heat_is_asked_for_by_its_name(bench: Bench) -> None:
    question = replace(CONFIRM, accepts=Go("heat"))
    bench.serve(
        bench.ask(question), lambda: bench.type_at("type go to heat, Ctrl-X stops > ", "?\rgo\r")
    )
    assert bench.answers == ["go"]
    assert "the heater named above" in " ".join(" ".join(bench.drawn.page()).split())


# --- while something is on its way ----------------------------------------------------------


MOVE = Line(
    "MOVE",
    "x.near.1",
    (("axis", "X"), ("by_mm", "+60.0"), ("to_mm", "60.0"), ("seconds", "60.0"), ("group", "7")),
    "X by +60.00 mm",
)


def test_a_long_move_shows_the_time_that_is_left_and_one_key_stops_it(bench: Bench) -> None:
    def work() -> int:
        bench.screen.tell(MOVE)
        bench.ask(CONFIRM)()
        assert bench.stopped.wait(PATIENCE_S)
        raise Stopped("stopped")

    def typist() -> None:
        bench.type_at(GO_PROMPT, "*+\r")
        bench.type_at("X moves, about 60 s left", "/")

    with pytest.raises(Stopped):
        bench.serve(work, typist)
    assert bench.answers == ["go"]
    assert bench.stops == 1


def test_a_stroke_in_a_text_is_text(bench: Bench) -> None:
    bench.serve(bench.ask(TEXT), lambda: bench.type_at("text > ", "/dev/ttyS0\r"))
    assert bench.answers == ["/dev/ttyS0"]
    assert bench.stops == 0


def test_earlier_texts_come_back_and_neither_readings_nor_consent(bench: Bench) -> None:
    up, down = "\x1b[A", "\x1b[B"
    first, last = (replace(TEXT, accepts=Words(wanted=wanted)) for wanted in ("first", "last"))

    def typist() -> None:
        bench.type_at("first > ", "one\r")
        bench.type_at("reading in mm > ", f"{up}13\r")
        bench.type_at(GO_PROMPT, f"{up}go\r")
        bench.type_at("last > ", f"{up}{up}{down}{up}!\r")

    bench.serve(bench.ask(first, READING, CONFIRM, last), typist)
    assert bench.answers == ["one", "13", "go", "one!"]


@pytest.mark.parametrize(
    ("environment", "encoding", "ascii_only"),
    [
        ({}, "utf-8", False),
        ({"LANG": "de_DE.UTF-8"}, "utf-8", False),
        ({"LANG": "C"}, "utf-8", True),
        ({"LC_ALL": "", "LANG": "POSIX"}, "utf-8", True),
        ({"LC_ALL": "en_GB.UTF-8", "LANG": "C"}, "utf-8", False),
        ({"LANG": "de_DE"}, "cp1252", True),
        ({}, None, True),
    ],
)
def test_where_nothing_but_ascii_is_sent(
    environment: dict[str, str], encoding: str | None, ascii_only: bool
) -> None:
    assert page.ascii_only(encoding, environment) is ascii_only


def test_signs_are_spelled_in_ascii() -> None:
    assert page.in_ascii("± 0.1 mm, 21 °C … 漢") == "+/- 0.1 mm, 21 C ... ?"
