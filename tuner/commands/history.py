"""``tuner history``: how the numbers of a machine moved over months, or between two sessions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from tuner.commands.log import opened
from tuner.commands.report import print_columns, print_json, print_sentence
from tuner.drive.numbers import plus_minus
from tuner.errors import InputFault, UsedWrongly
from tuner.handover.history import Difference, Entry, compare, entries
from tuner.session.logbook import Logbook
from tuner.text import shown, visible

_CELLS = 21
_FULL_CELLS = 0.01  # of the scale: one percent from the middle to the edge


def history(
    *,
    home: Path,
    machine: str | None,
    sessions: Sequence[str] | None,
    axes: Sequence[str] | None,
    as_json: bool,
) -> int:
    """Show what was found of each machine, or of `machine`, over time; return 0.

    With two `sessions` say instead what moved between them. Raises ``InputFault`` where there is
    nothing of that name, and ``UsedWrongly`` for sessions of two machines.
    """
    with opened(home, check=False) as logbook:
        if sessions is not None:
            return _compare(logbook, sessions, axes, as_json)
        found = {name: _wanted(entries(logbook, name), axes) for name in _named(logbook, machine)}
    if as_json:
        print_json({"machines": [_as_json(name, its) for name, its in found.items()]})
        return 0
    for number, (name, its) in enumerate(found.items()):
        if number:
            print()
        _show(name, its)
    return 0


def _named(logbook: Logbook, machine: str | None) -> list[str]:
    """Return the machines to show, the one used last first."""
    names = [*dict.fromkeys(one.machine for one in logbook.summaries())]
    if machine is None:
        return names
    if shown(machine) not in names:
        raise InputFault(
            f"there is no machine {shown(machine)} in the logbook; it has "
            f"{', '.join(names) or 'none'}"
        )
    return [shown(machine)]


def _wanted(found: Sequence[Entry], axes: Sequence[str] | None) -> list[Entry]:
    return [one for one in found if not axes or one.axis in axes]


def _as_json(machine: str, found: Sequence[Entry]) -> dict[str, Any]:
    return {"machine": machine, "entries": [asdict(one) for one in found]}


def _show(machine: str, found: Sequence[Entry]) -> None:
    print(visible(machine))
    if not found:
        print("  no session of it came to its end with a finding")
    for axis in dict.fromkeys(one.axis for one in found):
        its = [one for one in found if one.axis == axis]
        rows = [[axis.upper(), "true / commanded", _ruler(), "play", "verdict", "session"]]
        rows += [_row(one) for one in its]
        print_columns(rows)


def _row(one: Entry) -> list[str]:
    return [
        one.started_at[:10],
        "-" if one.scale is None else plus_minus(one.scale[0], one.U or 0.0),
        "" if one.scale is None else _place(one.scale[0]),
        "-" if one.play_mm is None else f"{one.play_mm[0]:.3f} {one.unit}",
        one.outcome or one.verdict,
        visible(one.session),
    ]


def _ruler() -> str:
    return f"{'-1 %':<{_CELLS // 2}}1{'+1 %':>{_CELLS // 2}}"


def _place(scale: float) -> str:
    """Return a line of cells with a mark where `scale` is, the middle being 1."""
    middle = _CELLS // 2
    at = round(middle + (scale - 1.0) / _FULL_CELLS * middle)
    cells = ["."] * _CELLS
    cells[middle] = "|"
    cells[min(max(at, 0), _CELLS - 1)] = "<" if at < 0 else ">" if at >= _CELLS else "o"
    return "".join(cells)


# --- two sessions -------------------------------------------------------------------------


def _compare(
    logbook: Logbook, names: Sequence[str], axes: Sequence[str] | None, as_json: bool
) -> int:
    first, second = (logbook.summary(logbook.find(name)) for name in names)
    if first.machine != second.machine:
        raise UsedWrongly(
            f"these sessions are of {first.machine} and {second.machine}; two of one machine can "
            "be compared"
        )
    found = _wanted(entries(logbook, first.machine), axes)
    its = [[one for one in found if one.session == session.id] for session in (first, second)]
    moved = compare(*its)
    if as_json:
        print_json(
            {
                "machine": first.machine,
                "before": first.id,
                "after": second.id,
                "differences": [
                    {**asdict(one), "moved": one.moved, "is_seen": one.is_seen} for one in moved
                ],
            }
        )
        return 0
    print(visible(f"{first.machine}: {first.id}, then {second.id}"))
    for one in moved:
        _say(one)
    if not moved:
        print("  no axis was measured to the end in both")
    return 0


def _say(one: Difference) -> None:
    print_sentence(f"{one.in_words()}: {one.before:.5f}, then {one.after:.5f}")
