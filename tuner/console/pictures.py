"""Pictures in a terminal: residuals with their band, odds as bars, the reading plan.

Residuals are what is left of each reading when the fit is taken out. Position runs to the right,
the residual upwards; a band shows where 95 % of the readings of a steady hand lie. A mark tells
from which side the axis arrived, so that play that the fit does not know splits the marks in two
rows. Any number of readings makes a picture of the same size.

The rule it keeps: the same picture in ASCII where the terminal cannot show more; nothing is
said by colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tuner.console.view import Planned, bar

__all__ = [
    "ASCII",
    "UNICODE",
    "Marks",
    "marks_for",
    "odds_picture",
    "plan_picture",
    "residual_picture",
]

Floats = npt.NDArray[np.float64]

_WIDTH = 68
_ROWS_EACH_SIDE = 5
_LONGEST_BAR = 40
_PERCENT_COLUMNS = len(" >99 %")
_ALMOST_CERTAIN = 0.99
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
    done: str
    due: str


UNICODE = Marks("◁", "○", "▷", "◆", "─", "·", "│", "█", "░")
ASCII = Marks("<", "o", ">", "*", "-", ".", "|", "#", "_")


def marks_for(encoding: str | None) -> Marks:
    """Return the marks that `encoding`, that of the terminal, can show."""
    try:
        "".join(vars(UNICODE).values()).encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return UNICODE


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


def odds_picture(odds: Sequence[tuple[str, float]], width: int, marks: Marks) -> list[str]:
    """Return a line for each cause: its name, a bar, and its odds in per cent.

    `odds` are names with 0 to 1; no line is wider than `width` where a bar of one cell fits.
    """
    names = max((len(name) for name, _ in odds), default=0)
    cells = max(1, min(_LONGEST_BAR, width - names - 2 - _PERCENT_COLUMNS))
    return [
        f"{name:<{names}}  {bar(p, cells, (marks.done, marks.due))} {_per_cent(p):>5}"
        for name, p in odds
    ]


def _per_cent(p: float) -> str:
    """Return odds in whole per cent; nothing is ever certain."""
    return ">99 %" if p > _ALMOST_CERTAIN else f"{100 * p:.0f} %"


def plan_picture(plan: Sequence[Planned], marks: Marks) -> str:
    """Return the places of a reading plan in their order, in front of each its reading or ``_``."""
    done = sum(1 for one in plan if one.n)
    sides = {"plus": marks.plus, "minus": marks.minus}
    places = " ".join(f"[{one.n or '_'}]{one.at_mm:g}{sides[one.approach]}" for one in plan)
    return f"{done} of at most {len(plan)} places read: {places}"
