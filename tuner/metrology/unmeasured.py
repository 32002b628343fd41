"""The finding of an axis that could not be measured, in the form of every other finding."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

_UNWEIGHED: Mapping[str, Any] = {"odds": None, "looks": [], "asks": [], "about": "motion"}


def without_fit(
    *, verdict: str, axis: str, next: str, n: int = 0, cause: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Return a finding that no fit stands behind, as plain data; `next` says what to do.

    `n` readings were taken before it ended. `cause` has the keys name, p, says, check; None
    when what was seen names no cause.
    """
    why = f"measuring ended after {n} readings" if n else "no readings were taken"
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
        "n": n,
        **dict.fromkeys(measured),
        "smallest_jump_mm": None,
        "not_tested": dict.fromkeys(measured, why),
        "causes": [{**cause, **_UNWEIGHED}] if cause else [],
        "tie": [],
        "next": next,
        "look": None,
        "verdict": verdict,
        "value_known": False,
        "place_anew": False,
        "proposal": None,
    }
