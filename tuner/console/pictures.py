"""A picture of residuals in a terminal: what is left of each reading when the fit is taken out.

Position runs to the right, the residual upwards; a band shows where 95 % of the readings of a
steady hand lie. A mark tells from which side the axis arrived, so that play that the fit does
not know splits the marks in two rows. Any number of readings makes a picture of the same size.

The rule it keeps: the same picture in ASCII where the terminal cannot show more; nothing is
said by colour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["ASCII", "UNICODE", "Marks", "marks_for", "residual_picture"]

Floats = npt.NDArray[np.float64]

_WIDTH = 68
_ROWS_EACH_SIDE = 5
# The band shall not fill the picture, nor vanish in it.
_BAND_SHARE = 0.55
_SMALL_MM = 0.01  # below this the usual three decimals show nothing


@dataclass(frozen=True)
class Marks:
    """The characters of a picture: where readings are, and the lines behind them."""

    minus: str
    unknown: str
    plus: str
    mixed: str
    zero: str
    band: str
    edge: str


UNICODE = Marks("◁", "○", "▷", "◆", "─", "·", "│")
ASCII = Marks("<", "o", ">", "*", "-", ".", "|")


def marks_for(encoding: str | None) -> Marks:
    """Return the marks that `encoding`, that of the terminal, can show."""
    try:
        "".join(vars(UNICODE).values()).encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return UNICODE


def residual_picture(
    at_mm: Floats, residual_mm: Floats, side: Floats, band_mm: float, marks: Marks
) -> list[str]:
    """Return the lines of a picture of residuals, all of one width where nothing is labelled.

    `at_mm` : (n,) float, commanded positions; `residual_mm` : (n,) float, reading minus fit;
    `side` : (n,) float, 1 arrived in plus direction, -1 in minus, 0 not known. `band_mm` is half
    the width of the band. There must be at least one reading and every number finite.
    """
    largest_mm = max(float(np.max(np.abs(residual_mm))), band_mm / _BAND_SHARE, 1e-9)
    row = np.rint(_ROWS_EACH_SIDE * (1.0 - residual_mm / largest_mm)).astype(int)
    low_mm, high_mm = float(np.min(at_mm)), float(np.max(at_mm))
    reach_mm = high_mm - low_mm or 1.0
    column = np.rint((_WIDTH - 1) * (at_mm - low_mm) / reach_mm).astype(int)

    height = 2 * _ROWS_EACH_SIDE + 1
    present = np.zeros((3, height, _WIDTH), dtype=bool)
    present[side.astype(int) + 1, row, column] = True
    one_kind = present.sum(axis=0) == 1

    canvas = np.full((height, _WIDTH), " ")
    band_rows = round(_ROWS_EACH_SIDE * band_mm / largest_mm)
    canvas[_ROWS_EACH_SIDE - band_rows] = marks.band
    canvas[_ROWS_EACH_SIDE + band_rows] = marks.band
    canvas[_ROWS_EACH_SIDE] = marks.zero
    canvas[present.any(axis=0)] = marks.mixed
    for kind, mark in enumerate((marks.minus, marks.unknown, marks.plus)):
        canvas[present[kind] & one_kind] = mark

    # The label of the band stands at its edge, the others on the grid.
    decimals = 3 if largest_mm >= _SMALL_MM else 6
    middle = _ROWS_EACH_SIDE
    heights_mm = {middle - band_rows: band_mm, middle + band_rows: -band_mm}
    heights_mm |= {0: largest_mm, height - 1: -largest_mm}
    labels = {number: f"{mm:+.{decimals}f}" for number, mm in heights_mm.items()} | {middle: "0"}
    margin = max(map(len, labels.values()))
    lines = [
        f"{labels.get(number, ''):>{margin}} {marks.edge}{''.join(cells)}{marks.edge}"
        for number, cells in enumerate(canvas)
    ]
    start, end = f"{round(low_mm, 2):.8g}", f"{round(high_mm, 2):.8g} mm"
    lines.append(f"{'':{margin + 2}}{start}{end:>{_WIDTH - len(start)}}")
    return lines
