"""Numbers as people read them: exact when short, six digits when not, never an exponent."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuner.drive.numbers import decimals_of, plain_number


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
