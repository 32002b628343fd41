"""Where machine cards lie, and how a command finds one by its name.

The rule it keeps: a file that is where the person says comes first; only where there is none the
folder of cards is looked into.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from tuner.card.schema import Card
from tuner.card.waiting import waiting_axes
from tuner.errors import BadFile, UsedWrongly
from tuner.text import shown

__all__ = ["SUFFIX", "card_file", "cards_folder", "check_axes", "found_card"]

SUFFIX = ".toml"
_MOST_NAMED = 9


def cards_folder(home: Path) -> Path:
    """Return the folder in which ``tuner card new`` writes."""
    return home / "cards"


def check_axes(card: Card, wanted: Iterable[str]) -> None:
    """Raise ``UsedWrongly`` for the first of the `wanted` axes that `card` does not have."""
    for name in wanted:
        if name in card.axes:
            continue
        if name in waiting_axes(card.text):
            raise UsedWrongly(
                f"on the card of {shown(card.name)} axis {name} waits for its stored number; put "
                "it there as the card says, or let tuner card new --from CARD ask for it"
            )
        raise UsedWrongly(
            f"the card of {shown(card.name)} has no axis {shown(name)}; it has "
            f"{', '.join(card.axes)}"
        )


def card_file(path: Path) -> Path:
    """Return where a card that shall be written to `path` goes: whole, and with its ending.

    A folder stays what it is. Raises ``OSError`` where it cannot be looked at.
    """
    is_whole = path.suffix == SUFFIX or path.is_dir()
    return (path if is_whole else path.with_name(f"{path.name}{SUFFIX}")).absolute()


def found_card(path: Path, home: Path) -> Path:
    """Return where the card `path` is: there, or under that name among the cards of `home`.

    The name may be typed without its ending. Raises ``BadFile``, with the cards that there are,
    where it is in neither place.
    """
    if _is_there(path):
        return path
    folder = cards_folder(home)
    if path == Path(path.name):
        for name in (path.name, f"{path.name}{SUFFIX}"):
            if _is_there(folder / name):
                return folder / name
    there = sorted(one.name for one in folder.glob(f"*{SUFFIX}"))[:_MOST_NAMED]
    where = shown(str(folder))
    cards = f"in {where} there are: {', '.join(map(shown, there))}" if there else ""
    raise BadFile(
        [
            f"{shown(str(path))}: there is no such file, here or in {where}; expected a machine "
            f"card. {cards or 'tuner card new makes one'}"
        ]
    )


def _is_there(path: Path) -> bool:
    """Return whether something is at `path`; what cannot be looked at is said when it is read."""
    try:
        return path.exists()
    except OSError:
        return True
