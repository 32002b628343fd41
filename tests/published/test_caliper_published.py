"""Error limits of calipers by length and reading step.

Source: DIN 862, editions before 2015, table of error limits for external measurement, in
micrometres. The column for vernier 0.1 and 0.05 was seen in two public copies of the table; in
the columns for 0.02 and 0.01 the same copies show merged cells whose borders were read from
the layout: probable, not certain. The 0.01 column ends at 1000 mm.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from tuner.metrology.caliper import error_limit_mm

LENGTH_MM = [
    50, 100, 200, 300, 400, 500, 600, 700, 800, 900, 1000, 1200, 1400, 1600, 1800, 2000,
]  # fmt: skip
VERNIER_0_1_AND_0_05 = [
    50, 50, 50, 50, 60, 70, 80, 90, 100, 110, 120, 140, 160, 180, 200, 220,
]  # fmt: skip
VERNIER_0_02 = [20, 20, 30, 30, 30, 30, 30, 40, 40, 40, 40, 50, 50, 60, 60, 60]
DIGITAL_0_01 = [20, 20, 30, 30, 30, 30, 30, 40, 40, 40, 40]


@pytest.mark.parametrize(
    ("step_mm", "limits_um"),
    [
        ("0.1", VERNIER_0_1_AND_0_05),
        ("0.05", VERNIER_0_1_AND_0_05),
        ("0.02", VERNIER_0_02),
        ("0.01", DIGITAL_0_01),
    ],
)
def test_every_cell_of_the_table(step_mm: str, limits_um: list[int]) -> None:
    for length_mm, limit_um in zip(LENGTH_MM, limits_um, strict=False):
        assert error_limit_mm(Fraction(length_mm), Fraction(step_mm)) == Fraction(limit_um, 1000)


@pytest.mark.parametrize(
    ("range_mm", "step_mm", "limit_mm"),
    [
        # Between two lengths the longer one counts: the usual caliper of 150 mm has 0.03.
        ("150", "0.01", "0.03"),
        ("10", "0.01", "0.02"),
        ("100.01", "0.01", "0.03"),
        ("3000", "0.05", "0.22"),
        ("150", "0.0005", "0.03"),
        ("150", "0.03", "0.05"),
    ],
)
def test_between_and_beyond_its_cells(range_mm: str, step_mm: str, limit_mm: str) -> None:
    assert error_limit_mm(Fraction(range_mm), Fraction(step_mm)) == Fraction(limit_mm)
