"""The one writer of TOML. Text from outside becomes an inert quoted string.

The standard library reads TOML and does not write it; what is written here is read back by
it in the tests, character for character.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from fractions import Fraction
from typing import Any

from tuner.drive.numbers import plain_number
from tuner.text import shown

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
