"""Evidence that a row of the logbook is still what was written: a seal beside each.

SQLite notices a broken page, not a changed letter in a text. So every row carries a digest
of its values. The seal of a step covers the seal of the step before, so that none can be missing in
between; a session that has ended keeps the seal of its last step, so that none can be missing at
its end. This is evidence of wear, not of forgery: whoever can write the file can seal it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence

__all__ = ["LISTED", "PROPOSAL", "SESSION", "STEP", "Row", "seal_of", "unbroken"]

Row = Sequence[str | int | float | None]

STEP = ("session", "n", "run", "at_utc", "at_s", "phase", "kind", "key", "body")
SESSION = (
    *("id", "started_at", "machine", "card", "dialect", "port", "plan", "plan_version"),
    *("params", "tool_version", "ended_at", "ended_as", "summary", "last_seal"),
)
# What a list of sessions shows; sealed apart, so that a list need not read cards and summaries.
LISTED = ("id", "started_at", "machine", "ended_at", "ended_as", "brief")
PROPOSAL = ("id", "session", "axis", "path", "sha256", "state", "closed_by")

# What was damaged may have become bytes; it has a seal all the same, another one.
_as_json = json.JSONEncoder(default=repr).encode


def seal_of(values: Row, before: str = "") -> str:
    """Return the seal of a row with these `values`; `before` is the seal that it follows."""
    text = _as_json([before, *values])
    return hashlib.blake2b(text.encode(), digest_size=8).hexdigest()


def unbroken(steps: Iterable[Row]) -> int:
    """Return how many of `steps`, each with its seal last, are as they were written.

    They are the steps of one session in order; what follows a gap or a changed step does not
    count.
    """
    before, n = "", 0
    for *values, seal in steps:
        if values[1] != n + 1 or seal != seal_of(values, before):
            break
        before, n = seal, n + 1
    return n
