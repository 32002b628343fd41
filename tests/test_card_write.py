"""What is written as TOML is read back by the standard library, value for value."""

from __future__ import annotations

import json
import tomllib
from datetime import date
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tuner.card.write import toml_string, toml_text
from tuner.text import shown

TEXT = st.text(alphabet=st.characters(exclude_categories=()), max_size=12)
SCALARS = (
    st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.dates() | TEXT
    | st.floats(allow_nan=False, allow_infinity=False)
)  # fmt: skip
KEYS = st.from_regex(r"[a-z][a-z_]{0,5}", fullmatch=True)
VALUES = SCALARS | st.lists(SCALARS, max_size=3) | st.none()
TABLES = st.recursive(
    st.dictionaries(KEYS, VALUES, max_size=3),
    lambda inner: st.dictionaries(KEYS, VALUES | inner | st.lists(inner, max_size=3), max_size=4),
    max_leaves=6,
)


def as_read(value: Any) -> Any:
    """What a reader should see: text made visible, nothing where there was None."""
    match value:
        case str():
            return shown(value)
        case dict():
            return {key: as_read(one) for key, one in value.items() if one is not None}
        case list():
            return [as_read(one) for one in value]
        case _:
            return value


@settings(max_examples=60)
@given(TABLES)
def test_any_table_comes_back(table: dict[str, Any]) -> None:
    # Compared as JSON, where 1, 1.0 and true are not the same.
    read, expected = tomllib.loads(toml_text(table)), as_read(table)
    assert as_json(read) == as_json(expected)


def as_json(table: dict[str, Any]) -> str:
    return json.dumps(table, sort_keys=True, default=str)


@given(TEXT)
def test_any_text_is_inert(text: str) -> None:
    written = toml_string(text)
    assert len(written.splitlines()) == 1
    assert tomllib.loads(f"a = {written}\nb = 1") == {"a": shown(text), "b": 1}


@pytest.mark.parametrize(
    "text",
    ['"', "\\", '"\n[proposed]\nsteps_per_mm = 1', "\x00\x1b[2J", "'''", '"""', "\u202e", "a # b"],
)
def test_hostile_text_stays_a_value(text: str) -> None:
    assert tomllib.loads(toml_text({"a": text, "t": {"b": [text]}})) == {
        "a": shown(text), "t": {"b": [shown(text)]},
    }  # fmt: skip


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (True, "true"),
        (0, "0"),
        (80.0, "80.0"),
        (0.1 + 0.2, "0.30000000000000004"),
        (5e-324, "5e-324"),
        (1e22, "1e+22"),
        (-0.0, "-0.0"),
        (Fraction(80), "80.0"),
        (Fraction(1, 80), "0.0125"),
        (Fraction(3200, 150), "21.3333"),
        (date(2026, 3, 14), "2026-03-14"),
        ((1, "a"), '[1, "a"]'),
        ([], "[]"),
    ],
)
def test_how_a_value_is_written(value: object, written: str) -> None:
    assert toml_text({"a": value}) == f"a = {written}\n"
    tomllib.loads(toml_text({"a": value}))


class ALongerFloat(float):
    """As numpy's: a float that prints differently."""

    def __repr__(self) -> str:
        return f"float64({float(self)})"


def test_a_float_is_a_float_whoever_made_it() -> None:
    assert toml_text({"a": ALongerFloat(1.5)}) == "a = 1.5\n"


@pytest.mark.parametrize("value", [object(), 1j, {1, 2}, [None]])
def test_what_has_no_form_is_a_mistake_of_ours(value: object) -> None:
    with pytest.raises(TypeError, match="has no form in TOML here"):
        toml_text({"a": value})


def test_tables_stand_behind_what_is_not_in_one() -> None:
    table = {"t": {"b": 1, "u": {"c": 2}}, "l": [{"d": 3}, {"d": 4}], "a": 0}
    assert toml_text(table) == (
        "a = 0\n\n[t]\nb = 1\n\n[t.u]\nc = 2\n\n[[l]]\nd = 3\n\n[[l]]\nd = 4\n"
    )
