"""What a terminal draws of odds and of a reading plan, and the characters it draws with.

The rule it keeps: the same picture in ASCII where the terminal cannot show more; nothing is
said by colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tuner.console.view import Planned, bar

__all__ = ["ASCII", "UNICODE", "Marks", "marks_for", "odds_picture", "plan_picture"]

_LONGEST_BAR = 40
_PERCENT_COLUMNS = len(" >99 %")
_ALMOST_CERTAIN = 0.99


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
