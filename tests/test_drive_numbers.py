"""Numbers as people read them: exact when short, six digits when not, never an exponent."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties.formatting import PDG_precision

from tuner.drive.numbers import (
    decimals_kept,
    decimals_of,
    exact_mm,
    exact_number,
    exact_words,
    plain_number,
    roundings,
)
from tuner.drive.parts import PI


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("0", "0"),
        ("80", "80"),
        ("100", "100"),
        ("0.0125", "0.0125"),
        ("-0.5", "-0.5"),
        ("2.032", "2.032"),
        ("0.000001", "0.000001"),
        ("0.0000001", "0.0000001"),
        ("123456.789012", "123456.789012"),
        ("1234567.5", "1234567.5"),
        ("12345678901234.5", "12345678901234.5"),
        ("1/3", "0.333333"),
        ("-2/3", "-0.666667"),
        ("80/3", "26.6667"),
        ("1/3000000", "0.000000333333"),
        ("9999999999/10000000000", "1"),
        ("2999999/3", "1000000"),  # six digits of it would be 1000000 as well
        ("4000001/3", "1333334"),  # digits before the point are never rounded away
        (f"1/{10**30}", f"0.{'0' * 29}1"),
        (f"{10**30}", f"1{'0' * 30}"),
    ],
)
def test_plain_number(value: str, text: str) -> None:
    assert plain_number(Fraction(value)) == text


@given(st.integers(-(10**15), 10**15), st.integers(0, 6))
def test_up_to_six_decimals_are_exact(units: int, decimals: int) -> None:
    value = Fraction(units, 10**decimals)
    assert Fraction(plain_number(value)) == value


@given(st.fractions(min_value=Fraction(1, 10**9), max_value=10**9))
def test_what_is_rounded_is_right_to_six_digits(value: Fraction) -> None:
    assert abs(Fraction(plain_number(value)) - value) <= value * Fraction(5, 10**6)


@pytest.mark.parametrize(
    ("value", "decimals"),
    [("80", 0), ("0.5", 1), ("0.05", 2), ("1/8", 3), ("1/3", None), ("7/30", None)],
)
def test_decimals_of(value: str, decimals: int | None) -> None:
    assert decimals_of(Fraction(value)) == decimals


@pytest.mark.parametrize(
    ("typed", "value"),
    [
        ("80", "80"),
        ("2.5", "2.5"),
        ("2,5", "2.5"),
        (",9", "0.9"),
        (" +5 ", "5"),
        ("-5,2", "-5.2"),
        ("80/3", "80/3"),
        ("-1/16", "-1/16"),
        ("2,5/2", "1.25"),
        ("007", "7"),
        ("999999999999.999999999999", "999999999999.999999999999"),
    ],
)
def test_what_is_typed_is_exact(typed: str, value: str) -> None:
    assert exact_number(typed) == Fraction(value)


@pytest.mark.parametrize(
    "typed",
    ["", "-", ".", "1e3", "nan", "inf", "1_000", "0x10", "1/0", "1/", "/2", "1/2/3", "1,0,0",
     "\u0661", "２", "1 000", "--5", "1" * 13, "5\x1b[2J", "twenty"],
)  # fmt: skip
def test_what_is_no_number(typed: str) -> None:
    for read in (exact_number, exact_mm):
        with pytest.raises(ValueError, match=r"is not a (number|length); type it like") as caught:
            read(typed)
        assert str(caught.value).isprintable()
        assert len(str(caught.value)) < 160


@pytest.mark.parametrize(
    ("typed", "mm"),
    [
        ("2", "2"),
        ("2,032mm", "2.032"),
        ("0.2 in", "5.08"),
        ("0.2inch", "5.08"),
        ('1/16"', "1.5875"),
        ("1/16 IN", "1.5875"),
        ("-1in", "-25.4"),
    ],
)
def test_lengths_in_inch_are_exact(typed: str, mm: str) -> None:
    assert exact_mm(typed) == Fraction(mm)


@given(st.fractions(min_value=-(10**9), max_value=10**9, max_denominator=10**3))
def test_what_is_written_as_a_fraction_is_read_back(value: Fraction) -> None:
    assert exact_number(str(value)) == value


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (Fraction(80), "80"),
        (Fraction(1, 80), "0.0125"),
        (Fraction(80, 3), "26.6667 (80/3)"),
        (Fraction(50, 17), "2.94118 (50/17)"),
        (Fraction(10_001, 3), "3333.67"),
        (PI, "3.14159"),
    ],
)
def test_the_fraction_stands_where_decimals_only_come_near(value: Fraction, words: str) -> None:
    assert exact_words(value) == words


@given(st.floats(1e-9, 1e9))
def test_the_decimals_of_an_uncertainty_are_those_of_another_library(uncertainty):
    """``uncertainties`` keeps the same rule: its count of digits and the size they stand for."""
    digits, size = PDG_precision(uncertainty)
    assert decimals_kept(uncertainty) == digits - 1 - math.floor(math.log10(size))


@pytest.mark.parametrize(
    ("uncertainty", "decimals"),
    # 0.119 is written 0.12, 0.367 is written 0.4: examples of the Particle Data Group, Review of
    # Particle Physics, introduction (from memory).
    [
        (0.119, 2),
        (0.367, 1),
        (0.354, 2),
        (0.355, 1),
        (0.949, 1),
        (0.95, 1),
        (12.4, 0),
        (1200.0, -2),
    ],
)
def test_the_decimals_of_an_uncertainty(uncertainty, decimals):
    assert decimals_kept(uncertainty) == decimals


@pytest.mark.parametrize(
    ("number", "length_mm", "rows"),
    [
        (Fraction(100), 220.0, [(0, 100, 0.0)]),
        (Fraction("0.0125"), 220.0, [(4, Fraction("0.0125"), 0.0)]),
        # 2800 steps / 30 mm = 93.333...: one third of a hundredth in 93.33 is 3.6e-5.
        (
            Fraction(280, 3),
            280.0,
            [
                (0, 93, 1.0),
                (1, Fraction("93.3"), 0.1),
                (2, Fraction("93.33"), 0.01),
                (3, Fraction("93.333"), 0.001),
                (4, Fraction("93.3333"), 0.0001),
            ],
        ),
    ],
)
def test_what_the_decimals_of_the_stored_number_cost(number, length_mm, rows):
    found = roundings(number, length_mm)
    assert [(one.decimals, one.value) for one in found] == [row[:2] for row in rows]
    assert [one.off_mm for one in found] == pytest.approx([row[2] for row in rows], abs=1e-9)
