"""A machine that comes in at the counter, on the simulated machine, from intake to sheet."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from tuner.cli import run
from tuner.rehearsal.faults import card_text

# Number, complaint, symptom, by whom, caliper, calibrated, kept.
ANSWERS = ("A-17", "prints come out too small", "wrong-size", "", "C-3", "2026-05-01", "keep")


def typed(answers: Sequence[str], *arguments: str) -> int:
    """Run a command with `answers` on its standard input, and return its exit status."""
    reading, writing = os.pipe()
    os.write(writing, "".join(f"{one}\n" for one in answers).encode())
    os.close(writing)
    with pytest.MonkeyPatch.context() as patched, os.fdopen(reading) as stdin:
        patched.setattr(sys, "stdin", stdin)
        return run(arguments)


def card_in(folder: Path) -> Path:
    """Write the card of the Bench mule and return its path."""
    path = folder / "mule.toml"
    if not path.exists():
        path.write_text(card_text("bench-mule"), encoding="utf-8")
    return path


def intake(home: Path, answers: Sequence[str] = ANSWERS) -> None:
    """Ask what came in, and end well."""
    assert typed(answers, "intake", str(card_in(home)), "--plain", "--home", str(home)) == 0


def rehearsed(home: Path, *more: str) -> None:
    """Hold a whole session on the simulated machine, answered by itself."""
    assert run(["rehearse", "--hands-off", "--home", str(home), *more]) == 0


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
