"""The tables of parts: sensible weights, a source for every size, sizes merged once."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest

from tuner.drive.parts import Screw
from tuner.drive.tables import (
    BELT_PITCHES_MM,
    MICROSTEPS,
    MODULES_MM,
    PULLEY_TEETH,
    SCREW_LEADS_MM,
    STEP_ANGLES_DEG,
    Part,
    Table,
)

TABLES: dict[str, Table[Any]] = {
    "belts": BELT_PITCHES_MM,
    "teeth": PULLEY_TEETH,
    "screws": SCREW_LEADS_MM,
    "modules": MODULES_MM,
    "angles": STEP_ANGLES_DEG,
    "microsteps": MICROSTEPS,
}


@pytest.mark.parametrize("name", TABLES)
def test_every_size_has_a_weight_and_a_source(name: str) -> None:
    table = TABLES[name]
    assert len(table) == len(set(table)) > 4
    for value, weight in table.items():
        assert weight > 0
        assert table.source(value)


def test_a_size_of_two_standards_is_one_size() -> None:
    table = Table([Part(5, 2.0, "one"), Part(5, 0.5, "other"), Part(6, 1.0, "one")])
    assert dict(table) == {5: 2.5, 6: 1.0}
    assert table.source(5) == "one; other"
    assert BELT_PITCHES_MM.source(Fraction(5)) != "ISO 17396"


def test_what_is_not_listed_is_not_there() -> None:
    assert Fraction("2.1") not in BELT_PITCHES_MM
    with pytest.raises(KeyError):
        PULLEY_TEETH.source(11)


def test_common_parts_weigh_more() -> None:
    assert max(PULLEY_TEETH, key=lambda teeth: PULLEY_TEETH[teeth]) == 20
    assert PULLEY_TEETH[16] > 5 * PULLEY_TEETH[17]
    assert [*PULLEY_TEETH] == [*range(12, 61)]
    assert BELT_PITCHES_MM[Fraction(2)] > BELT_PITCHES_MM[Fraction("2.032")]
    assert SCREW_LEADS_MM[Screw(Fraction(2), 4)] > SCREW_LEADS_MM[Screw(Fraction(8))]
    assert [*MICROSTEPS] == [2**n for n in range(9)]
