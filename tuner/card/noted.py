"""What the comments of a card say is not known, and was taken as its commonest kind.

The rule it keeps: such a comment stands at the head of its axis, and begins with ``not known:``. A
card is read as if it were not there; whoever asks for the parts again asks for that one anew.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

__all__ = ["noted", "taken_for_granted"]

_LINE = re.compile(r"^(?:\[axes\.([a-z])\]|\[|# not known: ([^;\n]+);)", re.MULTILINE)


def noted(what: str) -> str:
    """Return the comment that says that `what` is not known: the part, a semicolon, the rest."""
    return f"not known: {what}"


def taken_for_granted(text: str) -> Iterator[tuple[str, str]]:
    """Return axis and part for every such comment in the `text` of a card."""
    axis = ""
    for line in _LINE.finditer(text):
        if line[2] is None:
            axis = line[1] or ""
        elif axis:
            yield axis, line[2]
