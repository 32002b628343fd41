"""``tuner intake``: a machine comes in; what the sheet needs to know of that is asked."""

from __future__ import annotations

from pathlib import Path

from tuner.card.dialect import Dialect
from tuner.card.read import parse_card, read_card
from tuner.card.schema import Card
from tuner.commands.cards import found_card
from tuner.commands.live import Bench, dialect_of, run_session
from tuner.commands.tune import console_for
from tuner.errors import Defect
from tuner.plans import intake
from tuner.rehearsal.faults import BENCH_MULE, PACK_MULE, card_text
from tuner.wire.port import MonotonicClock, Port


def take_in(*, home: Path, card_path: Path, plain: bool) -> int:
    """Ask what came in with the machine of `card_path`; return the exit status.

    The name of a simulated machine stands for its card, unless there is a file of that name. The
    answers are a session of their own, which the others of the job name by its number.
    """
    name = str(card_path)
    if name in (BENCH_MULE, PACK_MULE) and not card_path.exists():
        card = parse_card(card_text(name), f"the card of the {name}")
        setup = coming_in(home, card, dialect_of(card, None), f"{intake.SIMULATED}{name}")
    else:
        card_path = found_card(card_path, home)
        card = read_card(card_path)
        setup = coming_in(home, card, dialect_of(card, card_path), str(card_path))
    console = console_for(plain)
    return run_session(setup, console, console)


def coming_in(home: Path, card: Card, dialect: Dialect, card_file: str) -> Bench:
    """Return a session that asks what came in, and has no machine."""
    return Bench(
        home, card, dialect, (), "", False, MonotonicClock(), _no_port, card_file=card_file
    )


def _no_port() -> Port:
    raise Defect("an intake turned to a machine, and has none")
