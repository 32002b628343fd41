"""The picture of residuals in a terminal, with their band.

Residuals are what is left of each reading when the fit is taken out. Position runs to the right,
the residual upwards; a band shows where 95 % of the readings of a steady hand lie. A mark tells
from which side the axis arrived, so that play that the fit does not know splits the marks in two
rows. Any number of readings makes a picture of the same size.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from tuner.console.bars import Marks

__all__ = ["residual_picture"]

Floats = npt.NDArray[np.float64]

_WIDTH = 68
_ROWS_EACH_SIDE = 5
# The band shall not fill the picture, nor vanish in it.
_BAND_SHARE = 0.55
_SMALL_MM = 0.01  # below this the usual three decimals show nothing


def residual_picture(
    at_mm: Floats | Sequence[float],
    residual_mm: Floats | Sequence[float],
    side: Floats | Sequence[float],
    band_mm: float,
    marks: Marks,
    *,
    width: int = _WIDTH,
    rows_each_side: int = _ROWS_EACH_SIDE,
) -> list[str]:
    """Return the lines of a picture of residuals, all of one width where nothing is labelled.

    `at_mm` : (n,) float, commanded positions; `residual_mm` : (n,) float, reading minus fit;
    `side` : (n,) float, 1 arrived in plus direction, -1 in minus, 0 not known. `band_mm` is half
    the width of the band. There must be at least one reading and every number finite. The grid has
    `width` columns, and `rows_each_side` of the line for no residual.
    """
    at_mm, residual_mm, side = np.array(at_mm), np.array(residual_mm), np.array(side)
    largest_mm = max(float(np.max(np.abs(residual_mm))), band_mm / _BAND_SHARE, 1e-9)
    row = np.rint(rows_each_side * (1.0 - residual_mm / largest_mm)).astype(int)
    low_mm, high_mm = float(np.min(at_mm)), float(np.max(at_mm))
    reach_mm = high_mm - low_mm or 1.0
    column = np.rint((width - 1) * (at_mm - low_mm) / reach_mm).astype(int)

    height = 2 * rows_each_side + 1
    present = np.zeros((3, height, width), dtype=bool)
    present[side.astype(int) + 1, row, column] = True
    one_kind = present.sum(axis=0) == 1

    canvas = np.full((height, width), " ")
    band_rows = round(rows_each_side * band_mm / largest_mm)
    canvas[rows_each_side - band_rows] = marks.band
    canvas[rows_each_side + band_rows] = marks.band
    canvas[rows_each_side] = marks.zero
    canvas[present.any(axis=0)] = marks.mixed
    for kind, mark in enumerate((marks.minus, marks.unknown, marks.plus)):
        canvas[present[kind] & one_kind] = mark

    # The label of the band stands at its edge, the others on the grid.
    decimals = 3 if largest_mm >= _SMALL_MM else 6
    middle = rows_each_side
    heights_mm = {middle - band_rows: band_mm, middle + band_rows: -band_mm}
    heights_mm |= {0: largest_mm, height - 1: -largest_mm}
    labels = {number: f"{mm:+.{decimals}f}" for number, mm in heights_mm.items()} | {middle: "0"}
    margin = max(map(len, labels.values()))
    lines = [
        f"{labels.get(number, ''):>{margin}} {marks.edge}{''.join(cells)}{marks.edge}"
        for number, cells in enumerate(canvas)
    ]
    start, end = f"{round(low_mm, 2):.8g}", f"{round(high_mm, 2):.8g} mm"
    lines.append(f"{'':{margin + 2}}{start}{end:>{width - len(start)}}")
    return lines
