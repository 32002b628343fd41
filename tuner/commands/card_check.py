"""``tuner card check``: all that is wrong with a card at once, or else all that is odd."""

from __future__ import annotations

from pathlib import Path

from tuner.card.check import warnings
from tuner.card.dialect import read_dialect
from tuner.card.read import read_card
from tuner.commands.report import print_json, print_line
from tuner.errors import BadFile
from tuner.safety.words import check_dialect
from tuner.text import shown


def card_check(*, card_path: Path, as_json: bool) -> int:
    """Check the card at `card_path` and the dialect that it names.

    Prints what is odd, one line each. Raises ``BadFile`` with all that is wrong; as JSON that
    is in the same object, and the exit status is 1.
    """
    errors: tuple[str, ...] = ()
    odd: list[str] = []
    try:
        card = read_card(card_path)
        check_dialect(read_dialect(card.dialect, card_path))
        odd = warnings(card)
    except BadFile as error:
        if not as_json:
            raise
        errors = error.findings
    if as_json:
        print_json({"file": str(card_path), "errors": [*errors], "warnings": odd})
        return BadFile.exit_status if errors else 0
    for one in odd or (f"{shown(str(card_path))}: nothing is wrong and nothing is odd",):
        print_line(one)
    return 0
