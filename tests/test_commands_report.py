"""How numbers and failures are printed."""

from __future__ import annotations

import math

import pytest
from hostile import TEXTS, offences

from tuner.commands.report import print_failure
from tuner.drive.numbers import plus_minus
from tuner.errors import BadFile, BadReadings
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
