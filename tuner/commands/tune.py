"""``tuner tune``: a guided session on a machine."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from tuner.card.read import read_card
from tuner.card.schema import Card
from tuner.commands.live import Bench, chosen_axes, dialect_of, run_session
from tuner.console.desk import Console
from tuner.errors import UsedWrongly
from tuner.wire.port import MonotonicClock, Port, is_network, is_rehearsal


def tune(*, home: Path, card_path: Path, url: str, axes: Sequence[str] | None, plain: bool) -> int:
    """Run a guided session on the machine of `card_path` at `url`; return its exit status."""
    card = read_card(card_path)
    dialect = dialect_of(card, card_path)
    wanted = chosen_axes(card, axes)
    if is_rehearsal(url):
        # The simulated machine brings its own time, and opening it disturbs nobody.
        port = Port.open(url, card.baud)
        setup = Bench(home, card, dialect, wanted, url, False, port.clock, lambda: port)
    else:
        _need_a_terminal()
        network = is_network(url)
        if network:
            _need_level_axes(card, wanted)
        setup = Bench(
            home,
            card,
            dialect,
            wanted,
            url,
            network,
            MonotonicClock(),
            lambda: Port.open(url, card.baud),
        )
    console = console_for(plain)
    return run_session(setup, console, console)


def console_for(plain: bool) -> Console:
    """Return the console to use: plain lines on demand, and where there is no terminal."""
    if sys.stdin is None:  # so Python shows a closed one
        raise UsedWrongly(
            "standard input is closed, and somebody has to answer; leave it open, or let the "
            "program answer by itself with: tuner rehearse --hands-off"
        )
    if plain or not _is_terminal(sys.stdin) or not _is_terminal(sys.stdout):
        from tuner.console.plain import Plain

        return Plain(sys.stdin, sys.stdout)
    from tuner.console.screen import Screen

    return Screen()


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
