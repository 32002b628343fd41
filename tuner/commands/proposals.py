"""Proposals by what a person calls them: a file, an identifier, its beginning, or ``last``.

The rule it keeps: a file that is there comes first. Only proposals of a change can be checked, and
the newest is the one that was not yet found to be in force.
"""

from __future__ import annotations

from collections.abc import Collection
from contextlib import closing
from pathlib import Path

from tuner.errors import UsedWrongly
from tuner.session.logbook import Logbook, ProposalState
from tuner.text import as_it_was, shown

__all__ = ["LAST", "open_changes", "proposal_file"]

LAST = "last"
_CHANGE = "change"
_UNSETTLED = ("open", "applied", "not-applied", "applied-wrongly")
_MOST_LISTED = 5


def open_changes(home: Path, machines: Collection[str] | None = None) -> list[ProposalState]:
    """Return the changes that were proposed and not yet confirmed, the newest first.

    Those of `machines` alone, named as on their cards; of every machine without.
    """
    return [one for one in _changes(home, machines) if one.state in _UNSETTLED]


def proposal_file(given: str, home: Path, machines: Collection[str]) -> Path:
    """Return the file of the proposal that `given` means, one of `machines`.

    Raises ``UsedWrongly`` where it means none, or several.
    """
    path = Path(given)
    if path.exists():
        return path
    waiting = open_changes(home, machines)
    if given == LAST:
        meant = waiting[:1]
    else:
        known = _changes(home, machines)
        meant = [one for one in known if one.id == given]
        meant = meant or [one for one in known if one.id.startswith(given)]
    if len(meant) == 1:
        return Path(as_it_was(meant[0].path))
    if not meant and (path.suffix or path.name != given):
        return path  # meant as a file, which whoever reads it misses
    listed = ", ".join(shown(one.id) for one in (meant or waiting)[:_MOST_LISTED]) or "none"
    what = f"{shown(given)} can be several" if meant else f"there is no proposal {shown(given)}"
    of = " and ".join(map(shown, machines))
    raise UsedWrongly(
        f"{what}; proposals of {of} that wait to be checked: {listed}. Name a file, an identifier "
        "or its beginning, or last"
    )


def _changes(home: Path, machines: Collection[str] | None) -> list[ProposalState]:
    """Return the proposals of a change, the newest first."""
    if not (home / "logbook.db").exists():
        return []
    names = None if machines is None else {shown(one) for one in machines}
    with closing(Logbook(home / "logbook.db")) as logbook:
        return [
            one
            for session in logbook.summaries()
            if names is None or session.machine in names
            for one in reversed(logbook.proposals(session.id))
            if session.verdicts.get(one.axis, _CHANGE) == _CHANGE
        ]
