"""The one writer of TOML, and of files that are never overwritten.

Text from outside becomes an inert quoted string. The standard library reads TOML and does
not write it; what is written here is read back by it in the tests, character for character.
A card keeps every decimal that was typed into it.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping, Sequence
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any

from tuner.card.waiting import MARK, NOT_KNOWN, behind_mark
from tuner.drive.numbers import decimals_of, plain_number
from tuner.text import covered, shown

_ESCAPES = {'"': '\\"', "\\": "\\\\"}


def toml_string(text: str) -> str:
    """Return `text` as a basic string; what cannot be seen is already made visible in it."""
    return '"' + "".join(_ESCAPES.get(character, character) for character in shown(text)) + '"'


def _scalar(value: Any) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return toml_string(value)
        case int():
            return str(value)
        case date():
            return value.isoformat()
        case Fraction():
            number = plain_number(value)
            return number if "." in number else f"{number}.0"
        case float():
            return float.__repr__(value)  # numpy's floats print their type as well
        case Sequence():
            return "[" + ", ".join(_scalar(one) for one in value) + "]"
        case _:
            raise TypeError(f"{type(value).__name__} has no form in TOML here")


def _is_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(v, Mapping) for v in value)


def _lines(table: Mapping[str, Any], path: str) -> list[str]:
    lines: list[str] = []
    for key, value in table.items():
        if value is not None and not isinstance(value, Mapping) and not _is_tables(value):
            lines.append(f"{key} = {_scalar(value)}")
    for key, value in table.items():
        name = f"{path}{key}"
        if isinstance(value, Mapping):
            lines += ["", f"[{name}]", *_lines(value, f"{name}.")]
        elif _is_tables(value):
            for one in value:
                lines += ["", f"[[{name}]]", *_lines(one, f"{name}.")]
    return lines


def toml_text(table: Mapping[str, Any]) -> str:
    """Return `table` as TOML; keys are bare words of ours, entries that are None are left out."""
    return "\n".join(_lines(table, "")) + "\n"


# --- machine cards ------------------------------------------------------------------------

# A card is read with up to 30 digits, and no number on it has more than eight before the point.
_MOST_DECIMALS = 22
# Of a number that needs more, such as the 80/3 somebody typed; the rounding is far below what
# the comparison of stored numbers and parts sees.
_ENOUGH_DECIMALS = 12

# What stands beside a key the first time, so that a card can be changed without a manual.
_BESIDE = {
    "machine.layout": 'or "coupled-belts": axes x and y carry the drives of motors a and b',
    "machine.dialect": 'or "plain": standard words only, or the path of a dialect file',
    "machine.hold_time_s": "after this long at rest the controller may release the motors",
    "caliper.error_limit_mm": "for the outside jaws",
    "axes.gears": "pairs from the motor outwards: [{ driver = 16, driven = 80 }]",
    "axes.stored": "as the controller holds it, in one of four forms",
    "axes.range_mm": "where it may stand, in positions of the machine",
    "axes.range_deg": "where it may stand, in positions of the machine",
    "axes.reference": "its end switch",
    "axes.moves": "plus is always tool relative to work",
    "axes.vertical": "it can drop when the power goes",
    "axes.motors": "turning together",
    "axes.max_temperature_c": "never heated above this",
}


# At the head of an axis whose lines wait.
_HOW_IT_COUNTS = """\
{axis} does not count yet: the number that the controller holds is not known. The controller
reports it when asked for its settings, or it stands in its configuration. Put what it is in place
of each question mark and take {mark} away from each line, or let tuner card new --from this card
ask for it."""


def decimal_text(value: Fraction) -> str:
    """Return `value` with all its decimals; what needs more than 22 is rounded to 12 of them."""
    places = decimals_of(value)
    if places is None or places > _MOST_DECIMALS:
        places = _ENOUGH_DECIMALS
    sign = "-" if value < 0 else ""
    whole, part = divmod(abs(round(value * 10**places)), 10**places)
    return f"{sign}{whole}.{part:0{places}d}" if places else f"{sign}{whole}"


def _card_value(value: Any) -> str:
    match value:
        case str() if covered(value) == value:
            # Already visible, so it stands as it was typed and comes back as it was typed.
            return '"' + "".join(_ESCAPES.get(one, one) for one in value) + '"'
        case Fraction():
            text = decimal_text(value)
            return text if "." in text else f"{text}.0"
        case Mapping():
            entries = ", ".join(f"{key} = {_card_value(one)}" for key, one in value.items())
            return f"{{ {entries} }}"
        case list():
            return f"[{', '.join(map(_card_value, value))}]"
        case None:
            return NOT_KNOWN
        case _:
            return _scalar(value)


def card_text(
    card: Mapping[str, Any],
    notes: Mapping[str, Sequence[str]],
    waiting: Mapping[str, Mapping[str, Any]] | None = None,
) -> str:
    """Return the machine card with the tables of `card` as TOML with comments.

    `card` has the tables of the file: machine, caliper, axes; its fractions are written with
    all their decimals. `notes` are comment lines at the head of a table, such as ``axes.x``,
    or, under the empty name, of the whole card. `waiting` are axes in which a None is not known;
    their lines stand at the end and do not count yet.
    """
    tables = {name: card[name] for name in ("machine", "caliper")}
    tables |= {f"axes.{name}": axis for name, axis in card["axes"].items()}
    lines = ["# What this machine is believed to be made of. What is left out has its usual value."]
    lines += [f"# {shown(note)}" for note in notes.get("", ())]
    lines.append("schema = 1")
    beside = dict(_BESIDE)
    for name, table in tables.items():
        lines += ["", *_card_lines(name, table, notes, beside)]
    for axis, table in (waiting or {}).items():
        how = _HOW_IT_COUNTS.format(axis=axis.upper(), mark=MARK)
        lines += ["", *(f"# {line}" for line in how.splitlines())]
        lines += behind_mark(_card_lines(f"axes.{axis}", table, notes, beside))
    return "\n".join(lines) + "\n"


def _card_lines(
    name: str,
    table: Mapping[str, Any],
    notes: Mapping[str, Sequence[str]],
    beside: dict[str, str],
) -> list[str]:
    """Return the lines of one table; what they say of `beside` is taken out of it."""
    lines = [f"[{name}]", *(f"# {shown(note)}" for note in notes.get(name, ()))]
    kind = name.partition(".")[0]
    for key, value in table.items():
        comment = beside.pop(f"{kind}.{key}", "")
        line = f"{key} = {_card_value(value)}"
        lines.append(f"{line:<35} # {comment}" if comment else line)
    return lines


# --- files --------------------------------------------------------------------------------


def write_new(path: Path, content: bytes) -> bool:
    """Write `content` whole or not at all; return False, untouched, if `path` is taken.

    The folder must be there. Raises ``OSError``.
    """
    descriptor, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        # A hard link fails where the name is taken, which a rename would silently replace.
        try:
            os.link(temporary, path)
        except FileExistsError:
            return False
    finally:
        Path(temporary).unlink()
    return True


def write_twins(stem: Path, twins: Mapping[str, bytes]) -> bool:
    """Write a file for each suffix of `twins` beside `stem`, all of them or none.

    Return False, with nothing touched, if a name is taken. Raises ``OSError``.
    """
    written: list[Path] = []
    try:
        for suffix, content in twins.items():
            path = stem.with_name(f"{stem.name}{suffix}")
            if not write_new(path, content):
                break
            written.append(path)
    finally:
        is_whole = len(written) == len(twins)
        if not is_whole:
            for path in written:
                path.unlink()
    return is_whole
