"""``tuner card check``: all errors at once, or else the warnings."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from card_mutations import OTHERS

from tuner.cli import run
from tuner.errors import BadFile


@pytest.fixture
def card(tmp_path: Path) -> Path:
    path = tmp_path / "card.toml"
    path.write_text(OTHERS, encoding="utf-8")
    return path


def edited(card: Path, *changes: tuple[str, str]) -> None:
    text = card.read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) >= 1
        text = text.replace(old, new, 1)
    card.write_text(text, encoding="utf-8")


def test_a_good_card(card: Path, capsys: pytest.CaptureFixture[str]) -> None:
    edited(card, ("mm_per_step = 0.0024 ", "mm_per_step = 0.0024367 "))
    edited(card, ("steps_per_mm = 1.2 ", "steps_per_mm = 1.2006 "))
    assert run(["card", "check", str(card)]) == 0
    assert capsys.readouterr().out == f"{card}: nothing is wrong and nothing is odd\n"


WRONG = [
    ('name = "Workbench two"', "name = 3\nbaud = 1"),
    ("microsteps = 16", "microsteps = 0"),
    ("pitch_mm = 2", "pitch_mm = nan"),
]


def test_all_errors_at_once_each_with_key_value_and_what_is_expected(card: Path) -> None:
    edited(card, *WRONG)
    with pytest.raises(BadFile) as caught:
        run(["card", "check", str(card)])
    assert len(caught.value.findings) == 4
    for finding, key in zip(
        caught.value.findings,
        ["machine.name = 3", "machine.baud = 1", "axes.z.drive.pitch_mm = nan",
         "axes.z.motor.microsteps = 0"],
        strict=True,
    ):  # fmt: skip
        assert finding.startswith(f"{card}: {key}: ")
        assert "expected" in finding


def test_errors_are_lines_on_standard_error_and_status_one(card: Path) -> None:
    edited(card, *WRONG)
    command = [sys.executable, "-m", "tuner", "card", "check", str(card)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (1, "")
    assert len(done.stderr.splitlines()) == 4


def test_warnings_are_no_failure(card: Path, capsys: pytest.CaptureFixture[str]) -> None:
    edited(card, ("steps_per_mm = 1200", "steps_per_mm = 400"))
    assert run(["card", "check", str(card)]) == 0
    out = capsys.readouterr().out
    assert "axes.z: stored is exactly a third of what the parts give" in out
    assert "the gears left out" in out


def test_the_dialect_that_the_card_names_is_checked_too(card: Path) -> None:
    edited(card, ('dialect = "plain"', 'dialect = "mine.toml"'))
    with pytest.raises(BadFile, match=r"mine\.toml: there is no such file"):
        run(["card", "check", str(card)])


def test_the_json(card: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["card", "check", str(card), "--json"]) == 0
    report = json.loads(capsys.readouterr().out)
    warnings = report.pop("warnings")
    assert report == {"schema": 1, "file": str(card), "errors": []}
    assert all(warning.startswith("axes.") for warning in warnings)
    edited(card, *WRONG)
    assert run(["card", "check", str(card), "--json"]) == 1
    report = json.loads(capsys.readouterr().out)
    assert len(report["errors"]) == 4
    assert report["warnings"] == []
