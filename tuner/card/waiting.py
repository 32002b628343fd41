"""Axes that wait for a number: lines of a card that do not count yet, and are not lost.

The rule it keeps: behind its mark such a line is a comment, so a card is read as if it were not
there; without the mark it is a line like any other. What is not known is a question mark, which
counts for nothing and is refused where the mark is taken away and the question mark stays.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

__all__ = ["MARK", "NOT_KNOWN", "behind_mark", "counted_in", "waiting_axes"]

MARK = "#|"
NOT_KNOWN = "?"

_WAITING = re.compile(r"^#\| ?", re.MULTILINE)
_HEAD = re.compile(r"^#\| ?\[axes\.([a-z])\]", re.MULTILINE)
_UNKNOWN_KEY = re.compile(r"^(#\|.*?)(,? \w+ = )\?", re.MULTILINE)


def behind_mark(lines: Iterable[str]) -> list[str]:
    """Return `lines` of a card as lines that wait."""
    return [f"{MARK} {line}" for line in lines]


def counted_in(text: str, stand_in: str = "") -> str:
    """Return the `text` of a card with the lines that wait counted in, line for line.

    `stand_in` takes the place of what is not known; without one its key is left out.
    """
    known = _UNKNOWN_KEY.sub(rf"\g<1>\g<2>{stand_in}" if stand_in else r"\g<1>", text)
    return _WAITING.sub("", known)


def waiting_axes(text: str) -> tuple[str, ...]:
    """Return the names of the axes that wait on the card written in `text`."""
    return tuple(_HEAD.findall(text))
