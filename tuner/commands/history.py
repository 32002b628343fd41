"""``tuner history``: how the numbers of a machine moved over months, or between two sessions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from tuner.commands.log import opened
from tuner.commands.named import beginning, one_named
from tuner.commands.report import print_columns, print_json, print_line, print_sentence
from tuner.drive.scale import form_words, parse_form
from tuner.errors import InputFault, UsedWrongly
from tuner.handover.history import (
    Difference,
    Entry,
    compare,
    entries,
    in_order,
    moved_since,
)
from tuner.handover.recorded import job_of
from tuner.session.logbook import Logbook, SessionSummary
from tuner.text import shown, visible

_CELLS = 7
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
        names = logbook.sessions()
        found = {name: _wanted(entries(logbook, name), axes) for name in _named(logbook, machine)}
    if as_json:
        print_json({"machines": [_as_json(name, its) for name, its in found.items()]})
        return 0
    for number, (name, its) in enumerate(found.items()):
        if number:
            print()
        _show(name, its, names)
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


def _show(machine: str, found: Sequence[Entry], names: Sequence[str]) -> None:
    print(visible(machine))
    if not found:
        print("  no session of it came to its end with a finding")
        return
    rows = []
    for axis, its in in_order(found).items():
        head = "job", "stored", "scale", "moved", "found", f"play, {its[0].unit}", _ruler()
        rows += [[f"{axis.upper()}{_stored_as(its)}", *head]]
        rows += [_row(one, moved, names) for one, moved in zip(its, moved_since(its), strict=True)]
    print_columns(rows)


def _row(one: Entry, moved: Difference | None, names: Sequence[str]) -> list[str]:
    return [
        visible(beginning(one.session, names)),
        visible(one.job) or "-",
        "-" if one.stored is None else f"{one.stored:.6g}",
        one.scale_in_words(),
        "" if moved is None else _moved(moved),
        one.found(),
        one.play_in_words().removesuffix(f" {one.unit}"),
        "" if one.scale is None else _place(one.scale[0]),
    ]


def _stored_as(its: Sequence[Entry]) -> str:
    """Return behind a comma what the stored numbers of `its` count, where that is the same."""
    forms = {one.stored_as for one in its if one.stored is not None}
    return f", {form_words(*parse_form(forms.pop()))}" if len(forms) == 1 else ""


def _moved(since: Difference) -> str:
    """Return by how much the scale moved since the session before; "no" if that is not seen."""
    return f"{100.0 * since.moved:+.2g} %" if since.is_seen else "no"


def _ruler() -> str:
    return f"{'-1%':<{_CELLS // 2}} {'+1%':>{_CELLS // 2}}"


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
    command = "tuner history --compare SESSION SESSION"
    first, second = (logbook.summary(one_named(logbook, name, command)) for name in names)
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
                    {
                        **asdict(one),
                        "moved": one.moved,
                        "is_seen": one.is_seen,
                        "stored": [e.stored for of in its for e in of if e.axis == one.axis],
                    }
                    for one in moved
                ],
            }
        )
        return 0
    then, now = (_known_as(logbook, one) for one in (first, second))
    print_line(visible(f"{first.machine}: {then}, then {now}"))
    for one in moved:
        before, after = (next(e for e in of if e.axis == one.axis) for of in its)
        _say(one, before, after)
    if not moved:
        print("  no axis was measured to the end in both")
    return 0


def _known_as(logbook: Logbook, one: SessionSummary) -> str:
    job = job_of(logbook, one)
    return one.id + (f" (job {job})" if job else "")


def _say(one: Difference, before: Entry, after: Entry) -> None:
    """Say how a number moved; of the scale also what the controller held then and now."""
    print_sentence(f"{one.in_words()}: {one.before:.5f}, then {one.after:.5f}")
    if one.what != "scale":
        return
    letter, (then, now) = one.axis.upper(), (of.stored_in_words() for of in (before, after))
    if then != now:
        says = f"the stored number of {letter} changed in between, from {then} to {now}"
    else:
        says = f"the stored number of {letter} was the same: {then}"
    print_sentence(says, indent="    ")
