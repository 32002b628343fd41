"""Replies and decided values as JSON, and back.

Only ``Limits`` travels inside a decided value as more than plain JSON; it is marked by
its name, so that a replay gives the plan the very value that the live session had.
"""

from __future__ import annotations

import dataclasses
from typing import Any

from tuner.messages import Again, Limits, Reply, Undo, Value

_LIMITS = "Limits"


def reply_to_json(reply: Reply) -> tuple[str, Any]:
    """Return the kind of `reply` and its body as JSON-ready data."""
    match reply:
        case Value(value=Limits() as limits):
            return "Value", {"value": dataclasses.asdict(limits), "of": _LIMITS}
        case Value(value=value, at_s=None):
            return "Value", {"value": value}
        case Value(value=value, at_s=at_s):
            return "Value", {"value": value, "at_s": at_s}
        case Again():
            return "Again", None
    return "Undo", None


def reply_from_json(kind: str, body: Any) -> Reply:
    """Return the reply that ``reply_to_json`` wrote; ``ValueError`` for an unknown kind."""
    match kind:
        case "Value" if body.get("of") == _LIMITS:
            return Value(Limits(**body["value"]))
        case "Value":
            return Value(body["value"], body.get("at_s"))
        case "Again":
            return Again()
        case "Undo":
            return Undo()
    raise ValueError(f"a reply of kind {kind!r} is not known")
