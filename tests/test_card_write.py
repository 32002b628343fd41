"""What is written as TOML is read back the same, character for character."""

from __future__ import annotations

import tomllib
from datetime import date
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuner.card.write import toml_string, toml_text
from tuner.text import shown


@given(st.text())
def test_a_text_comes_back_as_it_is_shown(text: str) -> None:
    assert tomllib.loads(f"a = {toml_string(text)}") == {"a": shown(text)}


@given(st.one_of(st.booleans(), st.integers(-(2**62), 2**62), st.floats(allow_nan=False)))
def test_a_scalar_comes_back(value: bool | int | float) -> None:
    read = tomllib.loads(toml_text({"a": value}))["a"]
    assert (type(read), read) == (type(value), value)


def test_tables_lists_and_what_is_left_out() -> None:
    table: dict[str, Any] = {
        "schema": 1,
        "found": {"steps_per_mm": Fraction(80), "third": Fraction(1, 3), "none": None},
        "change": [{"key": "axes.x", "to": 16}, {"key": "axes.y", "to": {"deep": True}}],
        "cautions": ["one", "two"],
        "empty": [],
        "day": date(2026, 3, 14),
        "name": 'a "quoted" name\n',
    }
    text = toml_text(table)
    assert text.endswith("\n")
    assert tomllib.loads(text) == {
        "schema": 1,
        "found": {"steps_per_mm": 80.0, "third": 0.333333},
        "change": [{"key": "axes.x", "to": 16}, {"key": "axes.y", "to": {"deep": True}}],
        "cautions": ["one", "two"],
        "empty": [],
        "day": date(2026, 3, 14),
        "name": r'a "quoted" name\x0a',
    }


def test_what_has_no_form_is_refused() -> None:
    with pytest.raises(TypeError, match="complex has no form in TOML here"):
        toml_text({"a": 1j})
