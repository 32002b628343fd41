"""The finding of an axis that could not be measured, in the form of every other finding."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

_WHY = "no readings were taken"


def without_readings(
    *, verdict: str, axis: str, next: str, cause: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Return a finding without readings as plain data; `next` says what to do.

    `cause` has the keys name, p, says, check; None when what was seen names no cause.
    """
    measured = (
        "scale",
        "travel_per_rev_mm",
        "play_mm",
        "periodic",
        "drift_mm_per_min",
        "suspect_readings",
        "jumps",
    )
    return {
        "schema": 1,
        "file": None,
        "axis": axis,
        "n": 0,
        **dict.fromkeys(measured),
        "not_tested": dict.fromkeys(measured, _WHY),
        "causes": [{**cause, "looks": []}] if cause else [],
        "tie": [],
        "next": next,
        "verdict": verdict,
        "value_known": False,
        "proposal": None,
    }
