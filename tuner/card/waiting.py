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

_BLOCK = re.compile(r"^#\| ?\[axes\.([a-z])\].*(?:\n#\|.*)*", re.MULTILINE)
_MARK = re.compile(r"^#\| ?", re.MULTILINE)
# A string, or a key that is not known.
_KEY = re.compile(r"\"[^\"\n]*\"|((?:,[ \t]*)?\w+[ \t]*=[ \t]*)\?")


def behind_mark(lines: Iterable[str]) -> list[str]:
    """Return `lines` of a card as lines that wait."""
    return [f"{MARK} {line}" for line in lines]


def counted_in(text: str, stand_in: str = "") -> str:
    """Return the `text` of a card with the lines that wait counted in, line for line.

    `stand_in` takes the place of what is not known; without one its key is left out.
    """

    def known(key: re.Match[str]) -> str:
        if key[1] is None:
            return key[0]
        return f"{key[1]}{stand_in}" if stand_in else ""

    return _BLOCK.sub(lambda block: _KEY.sub(known, _MARK.sub("", block[0])), text)


def waiting_axes(text: str) -> tuple[str, ...]:
    """Return the names of the axes that wait on the card written in `text`."""
    return tuple(_BLOCK.findall(text))
