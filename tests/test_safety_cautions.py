"""Full text whenever something is new, one line otherwise, always what matters most."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from tuner.messages import Line
from tuner.safety.cautions import Caution, CautionBook, Hazard, heat_caution
from tuner.safety.heat import Heater, Heaters

HAZARD = Hazard(axis="x", by_mm=10.0, feed_mm_per_min=300.0, vertical=False, moves="tool")
COLD = (Heater("T", 20.0, 0.0),)
HOT = (Heater("T", 48.0, 0.0),)


def first_then(hazard: Hazard, heaters: Heaters) -> Caution:
    book = CautionBook()
    assert book.caution(HAZARD, COLD).full
    assert not book.caution(HAZARD, COLD).full
    return book.caution(hazard, heaters)


@pytest.mark.parametrize(
    ("change", "heaters"),
    [
        ({"axis": "y"}, COLD),
        ({"by_mm": -10.0}, COLD),
        ({"by_mm": 10.1}, COLD),
        ({"by_mm": None}, COLD),
        ({"feed_mm_per_min": 601.0}, COLD),
        ({"toward": "the end of its free travel"}, COLD),
        ({}, HOT),
        ({}, None),
        ({}, ()),
    ],
    ids=str,
)
def test_whatever_is_new_gets_the_full_text(change: dict[str, object], heaters: Heaters) -> None:
    caution = first_then(replace(HAZARD, **change), heaters)  # type: ignore[arg-type]
    assert caution.full
    assert "crush" in caution.text


@pytest.mark.parametrize(
    "change", [{}, {"by_mm": 3.0}, {"by_mm": 10.005}, {"feed_mm_per_min": 600.0}], ids=str
)
def test_what_is_known_gets_one_line(change: dict[str, object]) -> None:
    caution = first_then(replace(HAZARD, **change), COLD)  # type: ignore[arg-type]
    assert not caution.full
    assert len(caution.text) < 130


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_other_way_and_further_are_new_for_short_moves_too(sign: float) -> None:
    book = CautionBook()
    for by_mm, full in ((0.3, True), (0.3, False), (-0.3, True), (-0.3, False), (0.4, True)):
        assert book.caution(replace(HAZARD, by_mm=sign * by_mm), COLD).full is full
    side = "plus" if sign > 0 else "minus"
    text = book.caution(replace(HAZARD, by_mm=sign * 0.3), COLD).text
    assert text.startswith(f"X 0.30 mm to {side}, 5 mm/s.")


def test_heating_always_gets_the_full_text() -> None:
    caution = heat_caution("nozzle", 199.6, COLD)
    assert (caution.word, caution.full) == ("WARNING", True)
    assert caution.text.startswith("The nozzle will be at 200 °C: it burns at a touch")
    assert caution.text.endswith("Reported: nozzle 20 °C.")


def test_a_switch_search_is_never_routine() -> None:
    book = CautionBook()
    search = replace(HAZARD, by_mm=None)
    for _ in range(3):
        caution = book.caution(search, COLD)
        assert caution.full
        assert "until its end switch acts" in caution.text


def test_what_differs_stands_first() -> None:
    book = CautionBook()
    for text in (book.caution(HAZARD, COLD).text, book.caution(HAZARD, COLD).text):
        assert text.startswith("X 10.00 mm to plus, 5 mm/s.")
    text = book.caution(replace(HAZARD, axis="y", by_mm=-0.5, moves="bed"), COLD).text
    assert text.startswith("Y 0.50 mm to minus (the bed moves the other way), 5 mm/s.")


def test_a_vertical_axis_can_drop() -> None:
    assert "drop" in CautionBook().caution(replace(HAZARD, vertical=True), COLD).text
    assert "drop" not in CautionBook().caution(HAZARD, COLD).text


def test_what_turns_draws_in_and_is_told_in_degrees() -> None:
    text = CautionBook().caution(replace(HAZARD, axis="c", unit="deg"), COLD).text
    assert text.startswith("C 10.00 deg to plus, 5 deg/s.")
    assert "draws in" in text and "crush" not in text


def test_of_coupled_belts_the_other_axis_is_named() -> None:
    for _ in range(2):
        text = CautionBook().caution(replace(HAZARD, beside="y"), COLD).text
        assert "X 10.00 mm to plus, Y may follow, 5 mm/s" in text


def heater(number: int) -> Heater:
    return Heater(f"T{number}", 49.9, 0.0)


MANY = tuple(heater(number) for number in range(40))
TOWARD = ("", "its end switch")


@pytest.mark.parametrize(
    ("axis", "by_mm", "vertical", "moves", "toward", "heaters"),
    list(
        product(
            ("x", "a"), (9_999.99, -9_999.99, None), (True, False), ("tool", "bed"), TOWARD,
            (None, COLD, HOT, MANY),
        )
    ),
)  # fmt: skip
def test_every_caution_is_whole_on_its_line(
    axis: str, by_mm: float | None, vertical: bool, moves: str, toward: str, heaters: Heaters
) -> None:
    beside = "y" if axis == "x" and not vertical else ""  # belts that move two axes are level
    unit = "mm" if axis == "x" else "deg"
    hazard = Hazard(axis, by_mm, 12_345.678, vertical, moves, toward, beside=beside, unit=unit)
    book = CautionBook()
    for _ in range(2):
        caution = book.caution(hazard, heaters)
        assert caution.word == "WARNING"  # ANSI Z535.4: death or serious injury is possible
        assert "Caliper and hands out" in caution.text
        assert "°C" in caution.text or "treat nozzle and bed as hot" in caution.text
        fields = (("word", caution.word), ("group", "9999"), ("line", "4"), ("of", "4"))
        line = Line("CAUTION", f"{axis}.ladder.start", fields, caution.text).plain()
        assert len(line) <= 400
        assert line.endswith(caution.text)
