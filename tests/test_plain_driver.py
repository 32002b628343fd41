"""The driver answers a session in plain mode by tags and fields, and never by guessing.

The sessions here are small scripts; each repeats what it heard as ``NOTE heard | …``.
"""

from __future__ import annotations

import signal
import sys
from collections.abc import Mapping
from typing import Any

import pytest
from plain_driver import DriverError, PlainDriver, SeenLine

PRELUDE = """
import os, signal, sys
def say(line):
    print(line, flush=True)
def ask(line):
    say(line)
    answer = sys.stdin.readline()
    say(f"NOTE heard | {answer!r}")
    return answer.strip()
"""
END = "\nsay('END exit=0')\n"


def driver(script: str, **options: Any) -> PlainDriver:
    return PlainDriver([sys.executable, "-S", "-c", PRELUDE + script], **options)


def heard(one: PlainDriver) -> list[str]:
    return [shown.says for shown in one.tagged("NOTE") if shown.key == "heard"]


def question(line: str) -> str:
    return f"ask({line!r}){END}"


@pytest.mark.parametrize("terminal", [True, False])
def test_standard_input_is_a_terminal_without_echo_or_a_pipe(terminal: bool) -> None:
    one = driver(
        "say(f'NOTE tty | {sys.stdin.isatty()} {sys.stdout.isatty()}')\n"
        + question("CONFIRM x.near group=7 | answer go or stop"),
        terminal=terminal,
    )
    assert one.run(timeout_s=20) == 0
    assert [line.text for line in one.lines] == [
        f"NOTE tty | {terminal} False",
        "CONFIRM x.near group=7 | answer go or stop",
        "NOTE heard | 'go\\n'",
        "END exit=0",
    ]
    assert one.answers == [("x.near", "go")]
    assert [line.at_s for line in one.lines] == sorted(line.at_s for line in one.lines)


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("CHOICE job-running options=yes,no,unsure default= | …", "no"),
        ("CHOICE motor-power options=yes,no default= | …", "yes"),
        ("CHOICE x.caliper-place options=depth-rod,inside-jaws default= | …", "depth-rod"),
        ("CHOICE x.origin options=declare,reference default=declare | …", "declare"),
        ("CHOICE x.first-move options=about-right,nothing,diagonal default= | …", "about-right"),
        ("CHOICE x.still options=yes,no default= | …", "yes"),
        ("CHOICE x.look.pulley-teeth options=yes,no,unsure default= | …", "unsure"),
        ("CHOICE x.other options=one,two default=two | …", ""),
        ("TEXT x.job default=none | …", ""),
    ],
)
def test_the_policy_has_an_answer(line: str, answer: str) -> None:
    one = driver(question(line))
    assert one.run(timeout_s=20) == 0
    assert heard(one) == [repr(answer + "\n")]


def test_a_policy_of_the_test_goes_first_and_its_first_fit_counts() -> None:
    one = driver(
        "ask('CHOICE x.look.belt options=yes,no,unsure default= | …')\n"
        "ask('CHOICE y.look.belt options=yes,no,unsure default= | …')\n"
        "ask('TEXT x.free-minus default= | …')\n"
        "ask('TEXT x.job default= | …')" + END,
        choices={"x.look.*": "yes", "*.look.*": "no"},
        texts={"*.free-minus": "40"},
    )
    assert one.run(timeout_s=20) == 0
    assert [answer for _, answer in one.answers] == ["yes", "no", "40", ""]


def test_readings_come_from_the_caliper() -> None:
    calls: list[tuple[str, str, Mapping[str, str]]] = []

    def caliper(axis: str, key: str, fields: Mapping[str, str]) -> str:
        calls.append((axis, key, fields))
        return "12.34 mm"

    one = driver(
        "ask('READING x.near.1 axis=X at_mm=40.000 approach=plus n=7 | …')\n"
        "ask('READING x.zero-first | close the jaws')" + END,
        caliper=caliper,
    )
    assert one.run(timeout_s=20) == 0
    assert heard(one) == ["'12.34 mm\\n'"] * 2
    at = {"axis": "X", "at_mm": "40.000", "approach": "plus", "n": "7"}
    assert calls == [("X", "x.near.1", at), ("X", "x.zero-first", {})]


def test_a_hook_may_answer_otherwise_and_speak_unasked() -> None:
    def hook(line: SeenLine) -> str | None:
        if line.text.startswith("CONFIRM") and len(one.answers) == 0:
            return "yes"
        return "stop" if line.shown.tag == "MOVE" else None

    one = driver(
        "while ask('CONFIRM x.near group=7 | …') != 'go': say('NOTE refused | only go')\n"
        "ask('MOVE x.far axis=X | …')" + END,
        answer_hook=hook,
    )
    assert one.run(timeout_s=20) == 0
    assert heard(one) == ["'yes\\n'", "'go\\n'", "'stop\\n'"]
    assert one.answers == [("x.near", "yes"), ("x.near", "go"), ("", "stop")]


def test_a_signal_may_be_sent_while_waiting() -> None:
    def waiting(one: PlainDriver) -> None:
        if one.lines and not one.answers:
            one.answers.append(("", "SIGTERM"))
            one.signal(signal.SIGTERM)

    one = driver(
        "def ended(*_):\n    say('END exit=3')\n    sys.exit(3)\n"
        "signal.signal(signal.SIGTERM, ended)\n"
        "say('NOTE ready | …')\nwhile True: signal.pause()\n",
        while_waiting=waiting,
    )
    assert one.run(timeout_s=20) == 3


def test_the_end_of_input_can_be_played() -> None:
    def hook(line: SeenLine) -> str | None:
        if line.shown.tag == "CONFIRM":
            one.end_input()
            return ""
        return None

    one = driver(question("CONFIRM x.near group=7 | …"), terminal=False, answer_hook=hook)
    assert one.run(timeout_s=20) == 0
    assert heard(one) == ["''"]


@pytest.mark.parametrize(
    ("script", "finding"),
    [
        (question("CHOICE x.new options=a,b default= | …"), "no policy for x.new"),
        (question("CHOICE x.still options=a,b default= | …"), "'yes' is not an option"),
        (question("READING x.1 axis=X | …"), "nobody holds a caliper"),
        ("while ask('TEXT x.free-plus default= | …') == '': say('NOTE refused | a length')",
         "refused 3 times"),
        ("say('NOTE x | nothing more')", "END is not the last line"),
        ("", "END is not the last line"),
        (END + "say('NOTE x | afterwards')", "END is not the last line"),
        (END + END, "END is not the last line, once"),
        (END + "sys.exit(2)", "the exit was 2"),
        ("say('END exit=1')", "the exit was 0"),
        (END + "sys.exit(3)", "the exit was 3"),
        ("print('END exit=0', end='', flush=True)", "ended inside a line"),
        ("raise ValueError('a traceback')", "a traceback"),
    ],
)  # fmt: skip
def test_what_nobody_prepared_for_ends_the_run(script: str, finding: str) -> None:
    with pytest.raises(DriverError, match=finding):
        driver(script).run(timeout_s=20)


def test_a_program_used_wrongly_says_nothing_on_its_output() -> None:
    one = driver("print('used wrongly', file=sys.stderr)\nsys.exit(2)")
    assert one.run(timeout_s=20) == 2
    assert "used wrongly" in one.tail()


def test_a_program_that_has_ended_hears_nothing() -> None:
    one = driver(END)
    assert one.run(timeout_s=20) == 0
    one.send("stop")


def test_a_session_that_hangs_is_ended() -> None:
    one = driver("say('NOTE x | asleep')\nsignal.pause()\n")
    with pytest.raises(DriverError, match="no END in time"):
        one.run(timeout_s=0.3)
    assert one._process is not None and one._process.returncode == -signal.SIGKILL


def test_standard_error_is_kept_apart() -> None:
    one = driver("print('a warning', file=sys.stderr, flush=True)" + END)
    assert one.run(timeout_s=20) == 0
    assert [line.text for line in one.lines] == ["END exit=0"]
    assert bytes(one.errors) == b"a warning\n"
