"""A machine that comes in at the counter, on the simulated machine, from intake to sheet.

The whole job is kept as it is seen in a terminal; the guide in README.md shows parts of that.
"""

from __future__ import annotations

import io
import os
import shlex
import sys
from collections.abc import Iterator, Sequence
from contextlib import redirect_stdout
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import readme

import tuner.commands.live
import tuner.commands.sheet
import tuner.session.logbook
from tuner.cli import run
from tuner.rehearsal.faults import card_text

# Number, complaint, symptom, by whom, caliper, calibrated, kept.
ANSWERS = ("A-17", "prints come out too small", "wrong-size", "", "C-3", "2026-01-12", "keep")

CAPTURE = Path(__file__).parents[1] / "transcripts_fake" / "terminal" / "counter-job.txt"
COMMANDS = (
    "tuner intake bench-mule --plain",
    "tuner rehearse --hands-off --quick --axis x --axis y --job A-17",
    "tuner rehearse --hands-off --axis x --job A-17",
    "tuner rehearse --hands-off --job A-17 --check "
    "~/tuner-bench/proposals/20260314-100000-bench-mule-x.toml",
    "tuner sheet A-17",
    "tuner sheet A-17 --markdown",
    "tuner history",
)
"""What is typed for a whole job, one command every half an hour."""
_FIRST = datetime(2026, 3, 14, 9, 0, 0, tzinfo=UTC)
_EACH = timedelta(minutes=30)


def typed(answers: Sequence[str], *arguments: str) -> int:
    """Run a command with `answers` on its standard input, and return its exit status."""
    reading, writing = os.pipe()
    os.write(writing, "".join(f"{one}\n" for one in answers).encode())
    os.close(writing)
    with pytest.MonkeyPatch.context() as patched, os.fdopen(reading) as stdin:
        patched.setattr(sys, "stdin", stdin)
        return run(arguments)


def card_in(folder: Path, machine: str = "bench-mule") -> Path:
    """Write the card of a simulated machine and return its path."""
    path = folder / "mule.toml"
    if not path.exists():
        path.write_text(card_text(machine), encoding="utf-8")
    return path


def intake(home: Path, answers: Sequence[str] = ANSWERS, machine: str = "bench-mule") -> None:
    """Ask what came in, and end well."""
    card = card_in(home, machine)
    assert typed(answers, "intake", str(card), "--plain", "--home", str(home)) == 0


def rehearsed(home: Path, *more: str) -> None:
    """Hold a whole session on the simulated machine, answered by itself."""
    assert run(["rehearse", "--hands-off", "--home", str(home), *more]) == 0


def quiet() -> redirect_stdout[io.StringIO]:
    """Return a context in which what commands print is not shown."""
    return redirect_stdout(io.StringIO())


def newest_proposal(home: Path, axis: str) -> Path:
    """Return the proposal of `axis` that was written last."""
    return max(home.glob(f"proposals/*-{axis}*.toml"), key=lambda one: one.stat().st_mtime_ns)


def whole_job(home: Path) -> None:
    """Intake, quick check, diagnosis, a change typed in by a person, and the check of it."""
    intake(home)
    job = ["--job", "A-17"]
    rehearsed(home, "--quick", "--axis", "x", "--axis", "y", *job)
    rehearsed(home, "--axis", "x", *job)
    rehearsed(home, "--check", str(newest_proposal(home, "x")), *job)


def captured(home: Path) -> str:
    """Do the whole job in the folder `home` and return what is seen in the terminal, folded.

    The folder is shown as the usual one, and every command begins at a time of its own.
    """
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("TUNER_HOME", str(home))
        return "\n".join(_seen(home, patched))


def _seen(home: Path, patched: pytest.MonkeyPatch) -> Iterator[str]:
    for number, command in enumerate(COMMANDS):
        now = _FIRST + number * _EACH
        for module in (tuner.session.logbook, tuner.commands.live, tuner.commands.sheet):
            patched.setattr(module, "utc_now", lambda now=now: now)
        words = shlex.split(command.replace(readme.SHOWN_HOME, str(home)))[1:]
        answers = ANSWERS if words[0] == "intake" else ()
        printed = io.StringIO()
        with redirect_stdout(printed):
            assert typed(answers, *words) == 0, printed.getvalue()
        lines = printed.getvalue().replace(str(home), readme.SHOWN_HOME).splitlines()
        yield f"$ {command}\n{readme.folded([*_with_answers(lines, answers)])}"


def _with_answers(lines: Sequence[str], answers: Sequence[str]) -> Iterator[str]:
    """Yield `lines`, and behind each question the line that was typed."""
    left = iter(answers)
    for line in lines:
        yield line
        if answers and line.startswith(("TEXT ", "CHOICE ")):
            yield next(left)
