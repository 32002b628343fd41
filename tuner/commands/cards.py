"""Where machine cards lie, and how a command finds one by its name.

The rule it keeps: a file that is where the person says comes first; only where there is none the
folder of cards is looked into.
"""

from __future__ import annotations

from pathlib import Path

from tuner.errors import BadFile
from tuner.text import shown

__all__ = ["SUFFIX", "cards_folder", "found_card"]

SUFFIX = ".toml"
_MOST_NAMED = 9


def cards_folder(home: Path) -> Path:
    """Return the folder in which ``tuner card new`` writes."""
    return home / "cards"


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
