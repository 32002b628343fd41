"""Plain mode over real pipes, a real terminal and real signals: order, stops, early typing."""

from __future__ import annotations

import gc
import io
import os
import pty
import signal
import subprocess
import sys
import termios
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tuner.console.plain import HandsOff, Plain
from tuner.console.prompts import explanation
from tuner.console.typed import Typed
from tuner.errors import PortLost, Stopped, Unanswered
from tuner.messages import Go, Line, OneOf, Question, Words

PATIENCE_S = 10.0  # only ever waited for when a test fails

CONFIRM = Question(Line("CONFIRM", "x.near.1", (("group", "7"),), "answer go or stop"), Go())
TEXT = Question(Line("TEXT", "x.job", (("default", ""),), "a name?"), Words())


class Output(io.StringIO):
    """A stream on which another thread can wait for a text to appear."""

    def __init__(self) -> None:
        super().__init__()
        self._written = threading.Condition()

    def write(self, text: str) -> int:
        with self._written:
            count = super().write(text)
            self._written.notify_all()
            return count

    def wait_for(self, text: str, times: int = 1) -> None:
        with self._written:
            if not self._written.wait_for(lambda: self.getvalue().count(text) >= times, PATIENCE_S):
                raise AssertionError(f"{text!r} did not appear in {self.getvalue()!r}")

    @property
    def lines(self) -> list[str]:
        return self.getvalue().splitlines()


class Bench:
    """A ``Plain`` whose input is the file descriptor `into` and whose stops are counted."""

    def __init__(self, stdin: Any, into: int) -> None:
        self.output = Output()
        self.plain = Plain(stdin, self.output)
        self.into = into
        self.stops = 0
        self.stopped = threading.Event()

    def stop(self) -> None:
        self.stops += 1
        self.stopped.set()

    def type(self, text: str | bytes) -> None:
        os.write(self.into, text.encode() if isinstance(text, str) else text)

    def hang_up(self) -> None:
        os.close(self.into)
        self.into = -1

    def serve(self, work: Callable[[], int], typist: Callable[[], None] = lambda: None) -> int:
        """Serve `work` while `typist` types in a thread of its own; its errors count."""
        errors: list[BaseException] = []

        def type_on() -> None:
            try:
                typist()
            except BaseException as error:
                errors.append(error)

        hands = threading.Thread(target=type_on)
        hands.start()
        try:
            return self.plain.serve(work, self.stop)
        finally:
            hands.join()
            if errors:
                raise errors[0]


@pytest.fixture
def bench() -> Iterator[Bench]:
    reading, writing = os.pipe()
    with os.fdopen(reading) as stdin:
        made = Bench(stdin, writing)
        yield made
        if made.into >= 0:
            made.hang_up()


@pytest.fixture
def terminal() -> Iterator[Bench]:
    person, program = pty.openpty()
    attributes = termios.tcgetattr(program)
    attributes[3] &= ~termios.ECHO  # nobody reads the person's end here
    termios.tcsetattr(program, termios.TCSANOW, attributes)
    with os.fdopen(program) as stdin:
        made = Bench(stdin, person)
        yield made
        if made.into >= 0:
            made.hang_up()


# --- order ------------------------------------------------------------------------------------


def test_lines_questions_and_answers_in_order_and_end_last(bench: Bench) -> None:
    answers: list[str] = []

    def work() -> int:
        bench.plain.tell(Line("NOTE", "hello", (), "first"))
        answers.append(bench.plain.ask(TEXT))
        bench.plain.tell(Line("NOTE", "bye", (), "last"))
        return 0

    def typist() -> None:
        bench.output.wait_for("TEXT")
        bench.type("bench mule\n")

    assert bench.serve(work, typist) == 0
    assert answers == ["bench mule"]
    assert bench.output.getvalue() == (
        "NOTE hello | first\nTEXT x.job default= | a name?\nNOTE bye | last\nEND exit=0\n"
    )
    assert bench.stops == 0


@pytest.mark.parametrize(
    ("pieces", "expected"),
    [
        ([b"12.34\n"], "12.34"),
        ([b"12.34\r\n"], "12.34"),
        ([b"1", b"2", b".", b"3", b"4", b"\r", b"\n"], "12.34"),
        (["µ".encode()[:1], "µ".encode()[1:], b"\n"], "µ"),
        ([b"\xff\n"], "\ufffd"),
        ([b"\n"], ""),
        ([b" stopper \n"], " stopper "),
        ([b"x" * 9000, b"\n"], "x" * 4096),
    ],
)
def test_an_answer_may_come_in_any_pieces(bench: Bench, pieces: list[bytes], expected: str) -> None:
    answers: list[str] = []

    def work() -> int:
        answers.append(bench.plain.ask(TEXT))
        return 0

    def typist() -> None:
        for piece in pieces:
            bench.type(piece)

    bench.serve(work, typist)
    assert answers == [expected]


def test_answers_to_plain_questions_may_be_typed_ahead(bench: Bench) -> None:
    bench.type("one\ntwo\nthree")
    bench.hang_up()
    answers: list[str] = []

    def work() -> int:
        answers.extend(bench.plain.ask(TEXT) for _ in range(3))
        return 0

    assert bench.serve(work) == 0
    assert answers == ["one", "two", "three"]
    assert bench.stops == 0


@pytest.mark.parametrize("question", [TEXT, CONFIRM], ids=["text", "go"])
def test_a_question_mark_is_answered_and_the_question_waits_on(
    bench: Bench, question: Question
) -> None:
    answers: list[str] = []

    def work() -> int:
        answers.append(bench.plain.ask(question))
        return 0

    def typist() -> None:
        bench.output.wait_for(question.line.plain())
        bench.type(" ? \n?\n")
        bench.output.wait_for("NOTE help | ", 2)
        bench.type("go\n")

    assert bench.serve(work, typist) == 0
    assert answers == ["go"]
    help_ = [one.partition(" | ")[2] for one in bench.output.lines if "NOTE help" in one]
    says = " ".join(explanation(question.accepts, question.line).split())
    assert " ".join(help_) == f"{says} {says}"
    assert bench.output.lines.count(question.line.plain()) == 1


def test_a_line_is_one_line_of_at_most_400_characters(bench: Bench) -> None:
    def work() -> int:
        bench.plain.tell(Line("NOTE", "a", (), "two\nlines \x1b[2J \u202e"))
        bench.plain.tell(Line("NOTE", "b", (), "\x1b" * 390))
        return 0

    bench.serve(work)
    assert bench.output.lines[0] == "NOTE a | two lines \\x1b[2J \\u202e"
    assert len(bench.output.lines[1]) == 400
    assert len(bench.output.lines) == 3


# --- stops ------------------------------------------------------------------------------------


@pytest.mark.parametrize("word", ["stop\n", "STOP\r\n", "  Stop \n"])
def test_the_word_stop_ends_an_open_question(bench: Bench, word: str) -> None:
    def work() -> int:
        with pytest.raises(Stopped):
            bench.plain.ask(CONFIRM)
        with pytest.raises(Stopped):
            bench.plain.ask(TEXT)
        bench.plain.tell(Line("NOTE", "last.words", (), "heaters are off"))
        return 3

    def typist() -> None:
        bench.output.wait_for("CONFIRM")
        bench.type(word)

    assert bench.serve(work, typist) == 3
    assert bench.stops == 1
    assert bench.output.lines[1:] == ["NOTE last.words | heaters are off", "END exit=3"]


def test_the_word_stop_counts_while_nothing_is_asked_and_twice_is_twice(bench: Bench) -> None:
    second = threading.Event()

    def stop() -> None:
        bench.stop()
        if bench.stops == 2:
            second.set()

    def work() -> int:
        bench.type("nonsense\nstop\nstop\n")
        assert second.wait(PATIENCE_S)
        return 3

    assert bench.plain.serve(work, stop) == 3


def test_end_of_input_stops_at_once_while_nothing_is_asked(bench: Bench) -> None:
    def work() -> int:
        bench.hang_up()
        assert bench.stopped.wait(PATIENCE_S)
        bench.plain.ask(TEXT)
        return 0

    with pytest.raises(Stopped):
        bench.serve(work)
    assert bench.output.lines == ["END exit=3"]


def test_end_of_input_ends_an_open_question(bench: Bench) -> None:
    def typist() -> None:
        bench.output.wait_for("TEXT")
        bench.hang_up()

    with pytest.raises(Stopped):
        bench.serve(lambda: len(bench.plain.ask(TEXT)), typist)
    assert bench.stops == 1
    assert bench.output.lines[-1] == "END exit=3"


def test_end_of_input_counts_after_the_lines_before_it(bench: Bench) -> None:
    bench.type("one\n")
    bench.hang_up()
    answers: list[str] = []

    def work() -> int:
        answers.append(bench.plain.ask(TEXT))
        assert bench.stops == 0
        answers.append(bench.plain.ask(TEXT))
        return 0

    with pytest.raises(Stopped):
        bench.serve(work)
    assert answers == ["one"]
    assert bench.stops == 1


def test_a_go_that_is_the_last_of_the_input_starts_nothing(bench: Bench) -> None:
    def typist() -> None:
        bench.output.wait_for("CONFIRM")
        bench.type("go\n")
        bench.hang_up()

    def work() -> int:
        bench.plain.ask(CONFIRM)
        # The end may be read only after the go was taken: then the stop follows at once.
        assert bench.stopped.wait(PATIENCE_S)
        bench.plain.ask(TEXT)
        return 0

    with pytest.raises(Stopped):
        bench.serve(work, typist)
    assert bench.stops >= 1


def test_end_of_input_during_a_move_stops_even_with_lines_waiting(bench: Bench) -> None:
    def typist() -> None:
        bench.output.wait_for("CONFIRM")
        bench.type("go\n")
        bench.output.wait_for("NOTE moving")
        bench.type("12.34\n")
        bench.hang_up()

    def work() -> int:
        assert bench.plain.ask(CONFIRM) == "go"
        bench.plain.tell(Line("NOTE", "moving"))
        assert bench.stopped.wait(PATIENCE_S)
        return 3

    assert bench.serve(work, typist) == 3


def test_a_flood_of_lines_is_the_end_of_input(bench: Bench) -> None:
    def work() -> int:
        bench.type("y\n" * 15_000)  # fits into a pipe, the writer stays there
        bench.plain.discard_pending()
        bench.plain.ask(TEXT)
        return 0

    with pytest.raises(Stopped):
        bench.serve(work)


def test_input_that_never_pauses_is_the_end_of_input() -> None:
    stops: list[int] = []
    with Path("/dev/zero").open() as endless:
        typed = Typed(endless.fileno(), lambda: stops.append(1))
        typed.discard()
    with pytest.raises(Stopped):
        typed.next(lambda: bool(stops))


def test_a_failing_stop_is_shown_with_what_to_do(bench: Bench) -> None:
    def stop() -> None:
        raise PortLost("the cable is out")

    def work() -> int:
        bench.plain.ask(TEXT)
        return 0

    bench.type("stop\n")
    with pytest.raises(Stopped):
        bench.plain.serve(work, stop)
    warning = next(line for line in bench.output.lines if line.startswith("CAUTION stop.failed"))
    assert "word=WARNING" in warning
    assert "power switch" in warning


def test_an_error_out_of_work_is_raised_after_the_end_line(bench: Bench) -> None:
    def work() -> int:
        raise PortLost("the cable is out")

    with pytest.raises(PortLost, match="the cable is out"):
        bench.serve(work)
    assert bench.output.lines == ["END exit=1"]


def test_a_collection_of_everything_loaded_cannot_hold_a_stop_up(bench: Bench) -> None:
    assert bench.serve(lambda: int(gc.get_freeze_count() > 1000)) == 1
    assert gc.get_freeze_count() == 0


def test_a_console_serves_more_than_once(bench: Bench) -> None:
    bench.type("first\n")
    assert bench.serve(lambda: len(bench.plain.ask(TEXT))) == len("first")
    bench.type("second\n")
    assert bench.serve(lambda: len(bench.plain.ask(TEXT))) == len("second")


# --- early typing -----------------------------------------------------------------------------

EARLY = ["go\n", "go\r\ngo\n", "g", "go", "\n", "go\n" * 3000, "x" * 20_000 + "\ngo\n", "µ\ngo"]


@pytest.mark.parametrize("discarded_by_engine", [True, False])
@pytest.mark.parametrize("early", EARLY)
def test_what_was_typed_before_a_move_is_asked_for_never_consents(
    bench: Bench, early: str, discarded_by_engine: bool
) -> None:
    rounds = 50
    answers: list[str] = []

    def work() -> int:
        for number in range(rounds):
            bench.type(early)
            if discarded_by_engine:
                bench.plain.discard_pending()
            answers.append(bench.plain.ask(CONFIRM))
            bench.plain.tell(Line("NOTE", f"answered.{number}"))
        return 0

    def typist() -> None:
        for number in range(rounds):
            bench.output.wait_for("CONFIRM", number + 1)
            bench.type(f"fresh {number}\n")

    assert bench.serve(work, typist) == 0
    assert answers == [f"fresh {number}" for number in range(rounds)]


def test_a_stop_among_discarded_lines_counts(bench: Bench) -> None:
    def work() -> int:
        bench.type("go\nstop\ngo\n")
        bench.plain.discard_pending()
        assert bench.stops == 1
        bench.plain.ask(CONFIRM)
        return 0

    with pytest.raises(Stopped):
        bench.serve(work)


def test_half_a_line_at_a_terminal_is_gone_too(terminal: Bench) -> None:
    answers: list[str] = []

    def work() -> int:
        for _ in range(20):
            terminal.type("go")
            answers.append(terminal.plain.ask(CONFIRM))
        return 0

    def typist() -> None:
        for number in range(20):
            terminal.output.wait_for("CONFIRM", number + 1)
            terminal.type("\n")

    terminal.serve(work, typist)
    assert answers == [""] * 20


def test_a_terminal_that_hangs_up_is_the_end_of_input(terminal: Bench) -> None:
    def typist() -> None:
        terminal.output.wait_for("TEXT")
        terminal.hang_up()

    with pytest.raises(Stopped):
        terminal.serve(lambda: len(terminal.plain.ask(TEXT)), typist)


def test_control_d_at_a_terminal_is_the_end_of_input(terminal: Bench) -> None:
    def typist() -> None:
        terminal.output.wait_for("TEXT")
        terminal.type("\x04")

    with pytest.raises(Stopped):
        terminal.serve(lambda: len(terminal.plain.ask(TEXT)), typist)


# --- what stands at the other end of the output ---------------------------------------------


def test_unencodable_characters_are_replaced() -> None:
    raw = io.BytesIO()
    stdout = io.TextIOWrapper(raw, encoding="ascii", newline="\r\n")
    HandsOff(lambda _question: "go", stdout).tell(Line("NOTE", "a", (), "± 0.1"))
    assert raw.getvalue() == b"NOTE a | ? 0.1\n"


def test_output_that_nobody_reads_any_more_is_a_stop() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    stopped = threading.Event()

    with os.fdopen(writing, "w") as stdout:
        console = HandsOff(lambda _question: "go", stdout)

        def work() -> int:
            console.tell(Line("NOTE", "into.nothing"))
            assert stopped.is_set()
            console.tell(Line("NOTE", "still.no.error"))
            console.ask(CONFIRM)
            return 0

        with pytest.raises(Stopped):
            console.serve(work, stopped.set)


# --- hands off --------------------------------------------------------------------------------


def test_hands_off_prints_the_question_and_answers_by_itself() -> None:
    output = Output()
    asked: list[Question] = []

    def answer(question: Question) -> str:
        asked.append(question)
        return "go" if isinstance(question.accepts, Go) else "yes"

    console = HandsOff(answer, output)
    still = Question(Line("CHOICE", "x.still", (("options", "yes,no"),), "?"), OneOf(("yes", "no")))

    def work() -> int:
        console.discard_pending()
        assert console.ask(CONFIRM) == "go"
        assert console.ask(still) == "yes"
        return 0

    assert console.serve(work, lambda: None) == 0
    assert asked == [CONFIRM, still]
    assert output.lines == [
        "CONFIRM x.near.1 group=7 | answer go or stop",
        "CHOICE x.still options=yes,no | ?",
        "END exit=0",
    ]


def test_hands_off_that_answers_stop_stops() -> None:
    stops: list[int] = []
    console = HandsOff(lambda _question: "stop", Output())
    with pytest.raises(Stopped):
        console.serve(lambda: len(console.ask(CONFIRM)), lambda: stops.append(1))
    assert stops == [1]


def test_hands_off_does_not_use_an_answer_that_a_stop_overtook() -> None:
    def answer(_question: Question) -> str:
        os.kill(os.getpid(), signal.SIGTERM)
        assert stopped.wait(PATIENCE_S)
        return "go"

    stopped = threading.Event()
    console = HandsOff(answer, Output())
    with pytest.raises(Stopped):
        console.serve(lambda: len(console.ask(CONFIRM)), stopped.set)


# --- a process of its own ---------------------------------------------------------------------

PROGRAM = """
import sys, threading
from tuner.console.plain import Plain
from tuner.errors import Stopped
from tuner.messages import Go, Line, Question

assert "prompt_toolkit" not in sys.modules
plain = Plain(sys.stdin, sys.stdout)
stopped = threading.Event()

def stop():
    print("stop is called", file=sys.stderr, flush=True)
    stopped.set()

def work():
    if sys.argv[1] == "asked":
        plain.ask(Question(Line("CONFIRM", "x"), Go()))
    plain.tell(Line("NOTE", "busy"))
    stopped.wait()
    plain.tell(Line("NOTE", "last.words"))
    raise Stopped("stopped")

try:
    status = plain.serve(work, stop)
except Stopped as error:
    status = error.exit_status
sys.exit(status)
"""


@pytest.mark.parametrize("where", ["asked", "busy"])
@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT", "SIGHUP"])
def test_a_signal_stops_the_process_in_order(name: str, where: str) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM, where],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    ) as program:
        assert program.stdout is not None
        first = program.stdout.readline()
        program.send_signal(getattr(signal, name))
        output, errors = program.communicate(timeout=PATIENCE_S)
    assert first == ("CONFIRM x\n" if where == "asked" else "NOTE busy\n")
    assert output.splitlines() == (["NOTE last.words"] if where == "busy" else []) + ["END exit=3"]
    # Closing the input afterwards is a second stop, when it comes in time.
    assert set(errors.splitlines()) == {"stop is called"}
    assert program.returncode == 3


def test_end_of_input_from_the_start_ends_with_status_3() -> None:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, "asked"],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 3
    assert done.stdout.splitlines()[-1] == "END exit=3"
    assert "stop is called" in done.stderr


def test_a_question_without_patience_is_not_waited_for_and_the_next_one_is(bench: Bench) -> None:
    answers: list[str] = []

    def work() -> int:
        with pytest.raises(Unanswered):
            bench.plain.ask(replace(TEXT, patience_s=0.01))
        bench.plain.tell(Line("NOTE", "off", (), "heaters off"))
        answers.append(bench.plain.ask(replace(TEXT, patience_s=PATIENCE_S)))
        return 0

    def typist() -> None:
        bench.output.wait_for("TEXT", 2)
        bench.type("here\n")

    assert bench.serve(work, typist) == 0
    assert answers == ["here"]
    assert bench.stops == 0
