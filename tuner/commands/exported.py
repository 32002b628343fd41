"""The first line of an exported table: which session, which axis, how the caliper was used.

``tuner log export`` writes it and ``tuner examine`` reads it, so that nobody has to type again
what is known. For everybody else it is a comment.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import cast, get_args

from tuner.metrology.caliper import Place
from tuner.text import shown

__all__ = ["Told", "first_line", "told_in"]

_PLACES: tuple[str, ...] = get_args(Place)
_LONGEST_BYTES = 1000
_FIRST_LINE = re.compile(
    rf"# session .+, axis (?P<axis>[a-z])(?:, caliper (?P<placed>{'|'.join(_PLACES)}))?"
)


@dataclass(frozen=True)
class Told:
    """What a table says of itself; None where it does not say."""

    axis: str | None = None
    placed: Place | None = None


def first_line(session: str, axis: str, placed: str | None) -> str:
    """Return the line for readings of `axis`; `placed` says how the caliper was used, if known."""
    used = f", caliper {shown(placed)}" if placed else ""
    return f"# session {shown(session)}, axis {shown(axis)}{used}"


def told_in(path: Path) -> Told:
    """Return what the table at `path` says of itself; nothing for one that cannot be read."""
    try:
        with path.open("rb") as file:
            line = file.readline(_LONGEST_BYTES).decode("utf-8-sig")
    except (OSError, ValueError):
        return Told()
    found = _FIRST_LINE.fullmatch(line.strip())
    return Told() if found is None else Told(found["axis"], cast("Place | None", found["placed"]))
