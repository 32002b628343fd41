"""What is written as TOML is read back by the standard library, value for value."""

from __future__ import annotations

import json
import tomllib
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tuner.card.read import parse_card
from tuner.card.write import card_text, decimal_text, toml_string, toml_text, write_new
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


# --- machine cards ------------------------------------------------------------------------

PARTS = {
    "drive": {"kind": "belt", "pitch_mm": Fraction("2.032"), "pulley_teeth": 20},
    "gears": [{"driver": 17, "driven": 50}],
    "motor": {"step_angle_deg": Fraction("1.8"), "microsteps": 16},
    "stored": {"steps_per_mm": Fraction("231.59833333333333")},
    "range_mm": [Fraction(-5), Fraction("220.5")],
}


def card_of(name: str = "Mule", **axes: Any) -> dict[str, Any]:
    return {
        "machine": {"name": name, "layout": "independent", "dialect": "printer", "baud": 115200},
        "caliper": {
            "range_mm": Fraction(150),
            "resolution_mm": Fraction("0.01"),
            "error_limit_mm": Fraction("0.03"),
            "calibrated_on": date(2026, 3, 14),
        },
        "axes": axes or {"x": PARTS},
    }


@pytest.mark.parametrize(
    ("value", "written"),
    [
        ("0", "0"),
        ("-5", "-5"),
        ("-0.25", "-0.25"),
        ("220.50", "220.5"),
        ("0.0000001", "0.0000001"),
        ("231.5983333333333333333333", "231.5983333333333333333333"),
        ("231.59833333333333333333333333", "231.598333333333"),
        ("80/3", "26.666666666667"),
        ("-1/3", "-0.333333333333"),
        ("10000000", "10000000"),
    ],
)
def test_every_decimal_of_a_number_is_written(value: str, written: str) -> None:
    assert decimal_text(Fraction(value)) == written


def test_a_card_is_read_back_as_it_was_meant() -> None:
    card = parse_card(card_text(card_of(), {}), "card")
    axis = card.axes["x"]
    assert card.name == "Mule"
    assert card.caliper.calibrated_on == date(2026, 3, 14)
    assert axis.train.travel_per_motor_rev_mm == Fraction("2.032") * 20 * Fraction(17, 50)
    assert axis.stored.value == Fraction("231.59833333333333")
    assert axis.range_mm == (-5.0, 220.5)


def test_what_a_key_means_stands_beside_it_once() -> None:
    text = card_text(card_of(x=PARTS, y=PARTS), {})
    assert text.count("# pairs from the motor outwards") == 1
    assert "gears = [{ driver = 17, driven = 50 }]\n" in text.partition("[axes.y]")[2]


def test_notes_stand_at_the_head_of_their_table_and_are_only_comments() -> None:
    notes = {"": ["left out: Z"], "axes.x": ["not known: teeth\n[axes.y]", "two"]}
    text = card_text(card_of(), notes)
    assert text.startswith("# What")
    assert "# left out: Z\nschema = 1" in text
    assert "[axes.x]\n# not known: teeth\\x0a[axes.y]\n# two\ndrive" in text
    assert list(parse_card(text, "card").axes) == ["x"]


@given(st.text(min_size=1, max_size=80).filter(lambda name: name.isprintable() and name.strip()))
def test_a_name_comes_back_as_it_was_typed_however_often(name: str) -> None:
    once = parse_card(card_text(card_of(name), {}), "card")
    twice = parse_card(card_text(card_of(once.name), {}), "card")
    assert once.name == twice.name == name


def test_a_name_that_cannot_be_seen_is_made_visible() -> None:
    assert 'name = "a\\\\x1b"' in card_text(card_of("a\x1b"), {})


# --- files --------------------------------------------------------------------------------


def test_a_new_file_is_written_whole(tmp_path: Path) -> None:
    assert write_new(tmp_path / "card.toml", b"schema = 1\n")
    assert [one.name for one in tmp_path.iterdir()] == ["card.toml"]
    assert (tmp_path / "card.toml").read_bytes() == b"schema = 1\n"


def test_a_file_that_is_there_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "card.toml").write_text("mine")
    assert not write_new(tmp_path / "card.toml", b"schema = 1\n")
    assert [one.name for one in tmp_path.iterdir()] == ["card.toml"]
    assert (tmp_path / "card.toml").read_text() == "mine"


def test_nothing_is_left_behind_when_writing_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_descriptor: int) -> None:
        raise OSError("no space left")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OSError, match="no space left"):
        write_new(tmp_path / "card.toml", b"schema = 1\n")
    assert list(tmp_path.iterdir()) == []
