"""How numbers and failures are printed."""

from __future__ import annotations

import fcntl
import math
import os
import pty
import struct
import subprocess
import sys
import termios
from pathlib import Path

import pytest
from hostile import TEXTS, offences

from tuner.commands.report import _in_lines, print_failure
from tuner.drive.numbers import plus_minus
from tuner.errors import BadFile, BadReadings
from tuner.rehearsal.faults import card_text
from tuner.text import shown


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        # The rule and its examples: Particle Data Group, Review of Particle Physics, introduction,
        # section on rounding (from memory): 0.827 +- 0.119 is written 0.83 +- 0.12, 0.827 +- 0.367
        # is written 0.8 +- 0.4.
        (0.827, 0.119, "0.83 ± 0.12"),
        (0.827, 0.367, "0.8 ± 0.4"),
        (0.827, 0.354, "0.83 ± 0.35"),
        (0.827, 0.355, "0.8 ± 0.4"),
        (0.827, 0.949, "0.8 ± 0.9"),
        (0.827, 0.951, "0.8 ± 1.0"),
        (0.800124, 0.000291, "0.80012 ± 0.00029"),
        (31.9894, 0.0346, "31.989 ± 0.035"),
        (-5.0, 12.4, "-5 ± 12"),
        (1234.5, 367.0, "1234 ± 367"),
        (40.0, 0.0, "40"),
        (1.0, 5e-324, "1.000000000000 ± 0.000000000000"),
        (1e6, 1e-9, "1000000.0000000000 ± 0.0000000010"),
    ],
)
def test_the_uncertainty_decides_the_digits(value: float, uncertainty: float, text: str) -> None:
    assert plus_minus(value, uncertainty) == text


@pytest.mark.parametrize("exponent", range(-320, 309, 7))
def test_every_size_of_uncertainty_is_printed(exponent: int) -> None:
    assert "±" in plus_minus(1.0, 3.0 * 10.0**exponent)


def test_nothing_is_printed_for_a_nan() -> None:
    assert plus_minus(1.0, math.nan) == "1"


def test_a_failure_has_a_line_for_each_finding(capsys: pytest.CaptureFixture[str]) -> None:
    print_failure(BadFile(["a.csv: one", "a.csv: two"]), of="never")
    print_failure(BadReadings("too few"), of="b.csv: ")
    out, err = capsys.readouterr()
    assert out == ""
    assert err == "tuner: a.csv: one\ntuner: a.csv: two\ntuner: b.csv: too few\n"


@pytest.mark.parametrize("text", TEXTS)
def test_a_failure_does_not_act_on_the_terminal(
    capsys: pytest.CaptureFixture[str], text: str
) -> None:
    print_failure(BadReadings("too few"), of=f"{shown(text)}: ")
    print_failure(BadReadings(text))
    assert offences(capsys.readouterr().err, line_ends=True) == []


# --- on a terminal ------------------------------------------------------------------------

READINGS = "".join(f"{mm},{10 + mm * 0.8:.2f}\n" for mm in (0, 40, 80, 120, 160, 200, 80, 0))


def shown_at(columns: int, *arguments: str) -> str:
    """Return what a command shows on a terminal of `columns`, errors too."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    with subprocess.Popen(
        [sys.executable, "-m", "tuner", *arguments], stdout=theirs, stderr=theirs,
        stdin=subprocess.DEVNULL,
    ):  # fmt: skip
        os.close(theirs)
        said = b""
        while True:
            try:
                piece = os.read(ours, 65536)
            except OSError:  # the other side is closed
                break
            if not piece:
                break
            said += piece
    os.close(ours)
    return said.decode().replace("\r\n", "\n")


@pytest.mark.parametrize("columns", [80, 60])
@pytest.mark.parametrize(
    "arguments",
    [
        ["card", "check", "card.toml"],
        ["card", "check", "wrong.toml"],
        ["travel", "--card", "card.toml"],
        ["rehearse", "--fault"],
        ["examine", "readings.csv", "--card", "card.toml", "--axis", "x"],
        ["offset", "1.6", "--card", "card.toml", "--axis", "x"],
        ["convert", "--card", "card.toml", "--axis", "x", "--microsteps", "32"],
    ],
    ids=" ".join,
)
def test_no_line_is_wider_than_the_terminal_and_no_word_is_cut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, columns: int, arguments: list[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    card = card_text("bench-mule").replace("steps_per_mm = 80.0", "steps_per_mm = 64.0")
    Path("card.toml").write_text(card, encoding="utf-8")
    Path("wrong.toml").write_text(card.replace("microsteps = 16", "microsteps = 0"), "utf-8")
    Path("readings.csv").write_text(f"commanded_mm,reading_mm\n{READINGS}", "utf-8")
    monkeypatch.setenv("TUNER_HOME", str(tmp_path))
    columns = 80 if arguments[0] == "examine" else columns  # its picture is no narrower
    said = shown_at(columns, *arguments)
    pipe = subprocess.run(
        [sys.executable, "-m", "tuner", *arguments], stdin=subprocess.DEVNULL, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, check=False,
    )  # fmt: skip
    assert said.split() == pipe.stdout.split()
    wide = [line for line in said.splitlines() if len(line) >= columns]
    # A word that is longer than a line stands alone on it.
    assert [line for line in wide if " " in line.strip()] == []


TABLE = [
    ["", "the parts give", "stored", "what that says of it"],
    ["steps per mm", "80", "64", "the stored number is four fifths of what the parts give"],
    ["mm per step", "0.0125", "", "unknown"],
]
WIDTHS = [12, 14, 6, 55]


def in_lines(room: int | None) -> list[str]:
    return [*_in_lines(TABLE, WIDTHS, room)]


def test_a_table_that_fits_stands_as_it_is() -> None:
    assert in_lines(None) == in_lines(100)
    assert len(in_lines(None)) == len(TABLE)


def test_the_last_column_is_folded_under_its_beginning() -> None:
    assert in_lines(70) == [
        "               the parts give   stored   what that says of it",
        "steps per mm   80               64       the stored number is four",
        "                                         fifths of what the parts give",
        "mm per step    0.0125                    unknown",
    ]


def test_columns_come_nearer_before_one_is_put_below() -> None:
    widths = [33, 14, 6]
    rows = [["mm in a lost cycle (4 full steps)", "the parts give", "stored"]]
    assert [*_in_lines(rows, widths, 59)] == ["   ".join(rows[0])]
    assert [*_in_lines(rows, widths, 58)] == ["  ".join(rows[0])]
    assert [*_in_lines(rows, widths, 55)] == [" ".join(rows[0])]
    assert len([*_in_lines(rows, widths, 54)]) == 2


def test_columns_without_room_stand_below_the_others_in_every_row() -> None:
    assert in_lines(40) == [
        "               the parts give   stored",
        "    what that says of it",
        "steps per mm   80               64",
        "    the stored number is four fifths of",
        "    what the parts give",
        "mm per step    0.0125",
        "    unknown",
    ]
