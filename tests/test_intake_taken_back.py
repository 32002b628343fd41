"""Answers of an intake are taken back, on the screen and in plain lines."""

from __future__ import annotations

import io
import threading
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest
from counter import typed
from prompt_toolkit.data_structures import Size
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output.vt100 import Vt100_Output

from tuner.cli import run
from tuner.console.screen import Screen
from tuner.session.logbook import Logbook

PATIENCE_S = 20.0
# Nothing can be taken back at first; then the number was mistyped, and is typed anew.
ANSWERS = ("back", "undo", "A-71", "back", "A-17", "too small", "undo", "too short", "wrong-size")
REST = ("", "", "", "keep")


def kept(home: Path) -> tuple[str, str]:
    with closing(Logbook(home / "logbook.db")) as logbook:
        _, result = logbook.ending(logbook.find("last"))
        return result["job"], result["complaint"]


def on_the_screen(home: Path, answers: Sequence[str], monkeypatch: pytest.MonkeyPatch) -> str:
    """Type `answers`, each when a question waits, and return all that was drawn."""
    drawn = io.StringIO()
    left = list(answers)
    with create_pipe_input() as keys:
        # Only in a test that fails: what is awaited will not come any more.
        too_long = threading.Timer(PATIENCE_S, lambda: keys.send_text("\x18"))
        too_long.start()
        output = Vt100_Output(drawn, lambda: Size(30, 100), term="xterm")
        screen = Screen(keys, output)
        shown: tuple[object, int] = (None, 0)

        def look(_app: object) -> None:
            nonlocal shown
            # A refused answer leaves its question open, and prints a line more.
            waits = screen._open is not None and not screen._buffer.text
            now = (screen._open, drawn.getvalue().count("not taken"))
            is_another = now[0] is not shown[0] or now[1] != shown[1]
            if waits and is_another and left:
                shown = now
                keys.send_text(left.pop(0) + "\r")

        screen._app.after_render += look
        monkeypatch.setattr("tuner.commands.intake.console_for", lambda _plain: screen)
        try:
            assert run(["intake", "bench-mule", "--home", str(home)]) == 0
        finally:
            too_long.cancel()
    return drawn.getvalue()


def test_on_the_screen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = on_the_screen(tmp_path, (*ANSWERS, *REST), monkeypatch)
    assert kept(tmp_path) == ("A-17", "too short")
    assert drawn.count("there is no answer since") >= 2


def test_in_plain_lines(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    at = ["--plain", "--home", str(tmp_path)]
    assert typed((*ANSWERS, *REST), "intake", "bench-mule", *at) == 0
    assert kept(tmp_path) == ("A-17", "too short")
    said = capsys.readouterr().out
    assert said.count("NOTE refused | there is no answer since the last move") == 2
    assert said.count("TEXT job.number") == 4
    assert said.count("TEXT job.complaint") == 3


def test_what_is_left_speaks_of_no_machine(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    at = ["--plain", "--home", str(tmp_path)]
    assert typed(["A-17", "too small"], "intake", "bench-mule", *at) == 3
    left = capsys.readouterr().out
    assert "what was answered so far is kept as 2" in left
    assert "go on with: tuner resume 2" in left
    assert typed(["wrong-size", *REST], "resume", "A-17", *at) == 0
    said = capsys.readouterr().out
    assert "was stopped and goes on now\n" in said
    assert "NOTE job.so-far | so far: job: A-17; complaint: too small\n" in said
    for words in ("reading", "dialect", "when the machine is ready"):
        assert words not in left + said.partition("NOTE job.next")[0]
