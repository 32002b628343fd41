"""How a command prints what it found: aligned columns, folded sentences, JSON lines.

A JSON object says ``"schema": 1``; keys may be added and never change their meaning; there is
no NaN and no infinity in it, and what is not known is null.
"""

from __future__ import annotations

import json
import sys
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from typing import Any

from tuner.drive.parts import GearPair, Motor, total_ratio
from tuner.drive.scale import Form, form_key
from tuner.errors import BadFile, TunerError
from tuner.text import visible

_SCHEMA = 1
_WIDTH = 98


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
    for row in rows:
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=False))
        print((indent + "   ".join(cells)).rstrip())


def print_sentence(text: str, indent: str = "  ") -> None:
    """Print `text` folded to the width of a page, further lines indented deeper."""
    lines = textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=indent,
        subsequent_indent=f"{indent}  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    print("\n".join(lines))


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
        print(f"tuner: {visible(one)}", file=sys.stderr)
