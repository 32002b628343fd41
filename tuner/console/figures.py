"""The pictures below a line: residuals and reading plan after each fit, odds with each result.

The rule it keeps: a picture never takes more rows than leave the next caution and its prompt on
the screen, and none is drawn before it can show something.
"""

from __future__ import annotations

from tuner.console.bars import ASCII, UNICODE, odds_picture, plan_picture
from tuner.console.page import Page, Styled
from tuner.console.view import Residual, View, odds
from tuner.messages import Line

__all__ = ["Figures"]

_FEWEST = 3  # two readings lie on every line
_HIGH_ROWS = 36  # from so many rows on there is room for the larger picture
_AROUND_COLUMNS = 12  # labels, edges and margin of the picture of residuals
_WIDEST_GRID = 68
# The causes of each field exclude one another or stand alone: each field answers its question.
_ODDS = (
    ("odds", "Which parts and settings fit what was measured:"),
    ("wrong", "What is wrong with the motion, each by itself:"),
)
_SIDES = {"plus": 1.0, "minus": -1.0}


class Figures:
    """Draws what `view` knows; in ASCII where it `is_ascii`."""

    def __init__(self, view: View, is_ascii: bool) -> None:
        self._view = view
        self._marks = ASCII if is_ascii else UNICODE
        self.cells = (self._marks.done, self._marks.due)

    def below(self, line: Line, page: Page, rows: int) -> Styled:
        """Return what is drawn under `line` on a terminal with `rows` rows; often nothing."""
        match line.tag:
            case "FIT":
                return self._after_fit(line, page, rows)
            case "RESULT":
                return self._odds(line, page)
            case "NOTE" if line.key.endswith(".plan"):
                return self._plan(line.key.partition(".")[0], page)
        return []

    def _odds(self, line: Line, page: Page) -> Styled:
        styled: Styled = []
        for field, question in _ODDS:
            if found := odds(line, field):
                styled += page.hanging("", question)
                styled += page.drawn(odds_picture(found, page.width - 2, self._marks))
        return styled

    def _after_fit(self, line: Line, page: Page, rows: int) -> Styled:
        styled: Styled = []
        left = self._view.residuals(line)
        band_um = dict(line.fields).get("band_um", "")
        if len(left) >= _FEWEST and band_um:
            rows_each_side = 5 if rows >= _HIGH_ROWS else 3
            styled += page.drawn(self._residuals(left, float(band_um), page, rows_each_side))
        return styled + self._plan(line.key, page)

    def _residuals(
        self, left: list[Residual], band_um: float, page: Page, rows_each_side: int
    ) -> list[str]:
        from tuner.console.pictures import residual_picture

        title = (
            f"reading minus fit, mm; {self._marks.plus} moved plus, {self._marks.minus} moved "
            f"minus; 95 % lie between {self._marks.band * 3}"
        )
        return [
            title[: page.width - 2],
            *residual_picture(
                [one.at_mm for one in left],
                [one.left_mm for one in left],
                [_SIDES.get(one.approach, 0.0) for one in left],
                band_um / 1000.0,
                self._marks,
                width=min(_WIDEST_GRID, page.width - _AROUND_COLUMNS),
                rows_each_side=rows_each_side,
            ),
        ]

    def _plan(self, axis: str, page: Page) -> Styled:
        plan = self._view.plan(axis)
        return page.hanging("plan  ", plan_picture(plan, self._marks)) if plan else []
