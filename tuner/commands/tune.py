"""``tuner tune``: a guided session on a machine."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from tuner.card.dialect import Dialect
from tuner.card.read import read_card
from tuner.card.schema import Card
from tuner.commands.live import (
    Bench,
    chosen_axes,
    dialect_of,
    run_session,
    simulated,
    with_test,
)
from tuner.console.desk import Console
from tuner.errors import UsedWrongly
from tuner.text import shown
from tuner.wire.port import MonotonicClock, Port, is_network, is_rehearsal

if TYPE_CHECKING:
    from tuner.handover.filed import Filed
    from tuner.plans.check import Change


def tune(
    *,
    home: Path,
    card_path: Path,
    url: str,
    axes: Sequence[str] | None,
    plain: bool,
    quick: bool = False,
    test: str = "",
    proposal: str | None = None,
    job: str = "",
) -> int:
    """Run a guided session on the machine of `card_path` at `url`; return its exit status.

    With `quick` about ten readings an axis have to do; `test` names another procedure. With a
    `proposal` that a person has applied, its axis alone is measured, to see what became of the
    change; it is named as ``proposal_file`` says. `job` is the number of the job that the session
    belongs to, empty without one.
    """
    card = read_card(card_path)
    dialect = dialect_of(card, card_path)
    change = None
    if proposal is not None:
        from tuner.commands.proposals import proposal_file
        from tuner.handover.filed import read_proposal

        path = proposal_file(proposal, home, [card.name])
        change = change_of(read_proposal(path), path, card, axes)
    wanted = chosen_axes(card, axes if change is None else [change.axis])
    if is_rehearsal(url):
        setup, _ = simulated(home, card, dialect, wanted, url)
    else:
        setup = on_a_machine(home, card, dialect, wanted, url)
    begun = ("tune", str(card_path))
    setup = with_test(replace(setup, quick=quick, change=change, job=job, begun=begun), test)
    console = console_for(plain, port=url)
    return run_session(setup, console, console)


def change_of(filed: Filed, path: Path, card: Card, axes: Sequence[str] | None) -> Change:
    """Return the change that the proposal at `path` speaks of; it has to fit the card."""
    from tuner.plans.check import Change

    if filed.machine != card.name or filed.axis not in card.axes:
        raise UsedWrongly(
            f"{shown(str(path))} is about axis {shown(filed.axis)} of {shown(filed.machine)}, and "
            f"the card is of {shown(card.name)}; name the proposal and the card of one machine"
        )
    if axes and list(axes) != [filed.axis]:
        raise UsedWrongly(
            f"{shown(str(path))} is about axis {shown(filed.axis)}, which is the one to measure; "
            "leave --axis out"
        )
    number = filed.proposed.get(card.axes[filed.axis].stored.form)
    return Change(filed.id, filed.axis, filed.promise, number)


def on_a_machine(
    home: Path, card: Card, dialect: Dialect, axes: tuple[str, ...], url: str
) -> Bench:
    """Return a session on the real machine at `url`; ``UsedWrongly`` where that may not be."""
    _need_a_terminal()
    network = is_network(url)
    if network:
        _need_level_axes(card, axes)
    return Bench(
        home, card, dialect, axes, url, network, MonotonicClock(), lambda: Port.open(url, card.baud)
    )


def console_for(plain: bool, port: str = "") -> Console:
    """Return the console to use: plain lines on demand, and where no terminal can be drawn on.

    `port` is where the machine is, to be shown.
    """
    if sys.stdin is None:  # so Python shows a closed one
        raise UsedWrongly(
            "standard input is closed, and somebody has to answer; leave it open, or let the "
            "program answer by itself with: tuner rehearse --hands-off"
        )
    if plain or not can_draw():
        from tuner.console.plain import Plain

        return Plain(sys.stdin, sys.stdout)
    from tuner.console.screen import Screen

    return Screen(port=shown(port))


def can_draw() -> bool:
    """Return whether a person sits at a terminal on which a cursor can be moved."""
    named = os.environ.get("TERM", "")
    return named not in ("dumb", "unknown") and _is_terminal(sys.stdin) and _is_terminal(sys.stdout)


def _is_terminal(stream: object) -> bool:
    isatty = getattr(stream, "isatty", None)
    return bool(isatty and isatty())


def _need_level_axes(card: Card, axes: Sequence[str]) -> None:
    vertical = [name for name in axes if card.axes[name].vertical]
    if vertical:
        raise UsedWrongly(
            f"axis {', '.join(vertical)} is vertical and can drop; over a network port only level "
            "axes are moved. Leave it out with --axis, or connect the machine by cable"
        )


def _need_a_terminal() -> None:
    if not _is_terminal(sys.stdin):
        raise UsedWrongly(
            "a real machine moves only with a person at the terminal, and standard input is none; "
            "run this in a terminal, or try it with: tuner rehearse"
        )
