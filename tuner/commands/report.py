"""How a command prints what it found: aligned columns, folded sentences, JSON lines.

A JSON object says ``"schema": 1``; keys may be added and never change their meaning; there is
no NaN and no infinity in it, and what is not known is null.

On a terminal nothing is wider than it: words go to the next line whole, and a table that is too
wide has its last columns below its first ones. Into a file or a pipe sentences are folded to the
width of a page, and rows of tables and findings are one line each, for programs.
"""

from __future__ import annotations

import json
import os
import sys
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from fractions import Fraction
from typing import Any, TextIO

from tuner.drive.parts import GearPair, Motor, total_ratio
from tuner.drive.scale import Form, form_key
from tuner.errors import BadFile, TunerError
from tuner.text import visible

_SCHEMA = 1
_WIDTH = 98
_NARROWEST = 20  # below this words would be cut to pieces
_USUAL_COLUMNS = 80  # of a terminal that does not say
_GAPS = ("   ", "  ", " ")  # between columns; the first that lets a table stand as a whole
_DEEPER = "    "
_NARROW_CELL = 24  # a sentence in less room is hard to read


def print_json(report: Mapping[str, Any]) -> None:
    """Print `report` as one object of schema 1 on one line."""
    print(json.dumps({"schema": _SCHEMA, **report}, allow_nan=False))


def print_columns(rows: Iterable[Sequence[str]], indent: str = "  ") -> None:
    """Print `rows` with every column but the last as wide as its widest cell."""
    rows = [*rows]
    widths = [
        max(len(row[column]) for row in rows if column < len(row))
        for column in range(max(map(len, rows)))
    ]
    room = _room(sys.stdout)
    for line in _in_lines(rows, widths, room and room - len(indent)):
        print((indent + line).rstrip())


def print_sentence(text: str, indent: str = "  ") -> None:
    """Print `text` folded to the width of a page, further lines indented deeper."""
    print("\n".join(_folded(text, _room(sys.stdout) or _WIDTH, indent, f"{indent}  ")))


def print_line(text: str, stream: TextIO | None = None) -> None:
    """Print `text` as one line, folded only where it is a terminal that shows it."""
    stream = stream or sys.stdout
    room = _room(stream)
    print("\n".join(_folded(text, room, "", "  ")) if room else text, file=stream)


def _room(stream: TextIO) -> int | None:
    """Return how many columns a line may have on the terminal `stream`, None if it is none."""
    if not stream.isatty():
        return None
    try:
        columns = os.get_terminal_size(stream.fileno()).columns
    except (OSError, ValueError):
        columns = 0
    # The last column stays free: some terminals wrap when it is filled.
    return max(_NARROWEST, min(_WIDTH, (columns or _USUAL_COLUMNS) - 1))


def _folded(text: str, width: int, first: str, further: str) -> list[str]:
    return textwrap.wrap(
        text,
        width,
        initial_indent=first,
        subsequent_indent=further,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _in_lines(
    rows: Sequence[Sequence[str]], widths: Sequence[int], room: int | None
) -> Iterator[str]:
    """Yield the lines of `rows`, of at most `room` columns if that is said.

    Columns that do not fit stand below the first ones, the same ones in every row.
    """
    gap = next((one for one in _GAPS if len(_bands(widths, room, len(one))) == 1), _GAPS[0])
    bands = _bands(widths, room, len(gap))
    for row in rows:
        indent = ""
        for band in bands:
            cells = [cell.ljust(widths[n]) for n, cell in enumerate(row) if n in band]
            line = indent + gap.join(cells).rstrip()
            if room is not None and len(line) > room:
                head = indent + "".join(f"{cell}{gap}" for cell in cells[:-1])
                further = " " * (len(head) or len(_DEEPER))
                yield from _folded(cells[-1].rstrip(), room, head, further)
            elif line.strip() or not indent:
                yield line
            indent = _DEEPER


def _bands(widths: Sequence[int], room: int | None, gap: int) -> list[range]:
    """Return which columns stand beside each other so that no line is longer than `room`.

    The last one may be folded, so it need not fit as a whole.
    """
    if room is None:
        return [range(len(widths))]
    bands, first, used = [], 0, 0
    for n, width in enumerate(widths):
        needed = min(width, _NARROW_CELL) if n == len(widths) - 1 else width
        if n > first and used + needed > room:
            bands.append(range(first, n))
            first, used = n, len(_DEEPER)
        used += width + gap
    return [*bands, range(first, len(widths))]


def form_numbers(forms: Mapping[Form, Fraction], unit: str) -> dict[str, float | None]:
    """Return the four forms under the keys of the card, null where one is not known."""
    return {form_key(form, unit): float(forms[form]) if form in forms else None for form in Form}


def exact_forms(forms: Mapping[Form, Fraction], unit: str) -> dict[str, str]:
    """Return the known forms as exact fractions, such as ``80`` or ``80/3``."""
    return {form_key(form, unit): str(value) for form, value in forms.items()}


def shaft_numbers(gears: Sequence[GearPair], motor: Motor | None) -> dict[str, Any]:
    """Return gears and motor under the keys of the card, the motor null where it is not known."""
    ratio = total_ratio(gears)
    return {
        "gears": [{"driver": pair.driver, "driven": pair.driven} for pair in gears],
        "gear_ratio": {"value": float(ratio), "exact": str(ratio)},
        "motor": None
        if motor is None
        else {
            "step_angle_deg": float(motor.step_angle_deg),
            "full_steps_per_rev": motor.full_steps_per_rev,
            "microsteps": motor.microsteps,
        },
    }


def print_failure(failure: TunerError, of: str = "") -> None:
    """Print to standard error why something failed, where the work goes on with the rest.

    `of` says what it was, where the failure itself does not.
    """
    findings = failure.findings if isinstance(failure, BadFile) else (f"{of}{failure}",)
    for one in findings:
        print_line(f"tuner: {visible(one)}", sys.stderr)
