"""How wrong a caliper may be when nobody has its certificate."""

from __future__ import annotations

from fractions import Fraction
from typing import Literal

__all__ = ["Place", "error_limit_mm", "placed_limit_mm"]

Place = Literal["depth-rod", "inside-jaws", "outside-jaws"]

# DIN 862 (before 2015), external measurement: measured length up to and including, limit for
# steps of 0.02 mm and finer, limit for coarser ones, all in mm. The borders of the middle
# column are read from copies with merged cells and are probable, not certain.
_DIN_862 = (
    (50, "0.02", "0.05"),
    (100, "0.02", "0.05"),
    (200, "0.03", "0.05"),
    (300, "0.03", "0.05"),
    (400, "0.03", "0.06"),
    (500, "0.03", "0.07"),
    (600, "0.03", "0.08"),
    (700, "0.04", "0.09"),
    (800, "0.04", "0.10"),
    (900, "0.04", "0.11"),
    (1000, "0.04", "0.12"),
    (1200, "0.05", "0.14"),
    (1400, "0.05", "0.16"),
    (1600, "0.06", "0.18"),
    (1800, "0.06", "0.20"),
    (2000, "0.06", "0.22"),
)
_FINE_STEP_MM = Fraction("0.02")
_INSIDE_OR_ROD_EXTRA_MM = 0.02


def error_limit_mm(range_mm: Fraction, step_mm: Fraction) -> Fraction:
    """Return the error limit in mm, outside jaws, of a caliper of that range and reading step.

    Between two lengths of the table (DIN 862) the longer one counts; beyond its end the last.
    """
    row = next((one for one in _DIN_862 if range_mm <= one[0]), _DIN_862[-1])
    _, fine, coarse = row
    return Fraction(fine if step_mm <= _FINE_STEP_MM else coarse)


def placed_limit_mm(limit_mm: float, place: Place) -> float:
    """Return what the caliper may be wrong by there; `limit_mm` is that of its outside jaws.

    Depth rod and inside jaws: 0.02 mm more (common practice, no source).
    """
    return limit_mm if place == "outside-jaws" else limit_mm + _INSIDE_OR_ROD_EXTRA_MM
