"""The words at a prompt: what to type, what ``?`` explains, what the last line reminds of.

The rule it keeps: what must be known stands in the prompt itself; the reminder below is a
comfort that a terminal may never show. Enter never starts a move.
"""

from __future__ import annotations

from tuner.console.desk import one_line
from tuner.messages import Accepts, Go, Length, OneOf, Words
from tuner.text import clipped

__all__ = ["STOPPING", "WORKING", "explanation", "prompt", "reminder"]

WORKING = "working, Ctrl-X stops > "
STOPPING = "stopping, Ctrl-X repeats the stop > "

_LONGEST_DEFAULT = 40  # characters of it in a prompt
_STOP_ADVICE = (
    "Ctrl-X, Ctrl-C or the word stop stops, here and at any time. A stop over a cable is a "
    "request: in danger use the power switch, it is faster."
)


def _completed(words: str, accepts: OneOf | Length | Words) -> str:
    if accepts.default:
        words += f", Enter for {clipped(one_line(accepts.default), _LONGEST_DEFAULT)}"
    if _goes_back(accepts):
        words += ", back"
    return f"{words} > "


def _goes_back(accepts: Accepts) -> bool:
    """Whether ``back`` leads to the question before; at a reading that is called undo."""
    return not isinstance(accepts, Go) and accepts.may_undo and not _is_reading(accepts)


def _is_reading(accepts: Accepts) -> bool:
    return isinstance(accepts, Length) and accepts.is_reading


def prompt(accepts: Accepts) -> str:
    """Return the prompt of a question, ending with ``> ``."""
    match accepts:
        case Go(what):
            return f"type go to {what}, Ctrl-X stops > "
        case OneOf():
            return _completed("number or word", accepts)
        case Length(is_reading=True):
            return _completed("reading in mm", accepts)
        case Length():
            return _completed("length in mm", accepts)
        case Words():
            return _completed(accepts.wanted, accepts)


def _meaning(accepts: Accepts) -> str:
    match accepts:
        case Go("heat"):
            return (
                "Read what stands above first. Hands off, then type go and press Enter: the heater "
                "named above is switched on, and watched. Enter alone never heats anything."
            )
        case Go():
            return (
                "Read what stands above first. Caliper and hands out, then type go and press "
                "Enter: exactly the moves printed above are made, once. Enter alone never moves "
                "anything."
            )
        case OneOf():
            return "Type the number or the word of one of the lines above and press Enter."
        case Length():
            return (
                "Type a length in mm, like 12.34 or 12,34, and press Enter; in inches with in, "
                f"like 0.486 in. It must lie between {accepts.low_mm:g} and {accepts.high_mm:g} mm."
            )
        case Words():
            return f"Type what is asked for ({accepts.wanted}) and press Enter."


def explanation(accepts: Accepts) -> str:
    """Return the paragraph that ``?`` shows at a question."""
    said = [_meaning(accepts)]
    if isinstance(accepts, Length) and accepts.is_reading:
        said.append("again approaches the same place once more and asks again.")
        if accepts.may_undo:
            said.append("undo takes the reading before this one back.")
    if _goes_back(accepts):
        said.append("back returns to the question before this one.")
    if not isinstance(accepts, Go) and accepts.default:
        said.append(f"Enter alone takes {one_line(accepts.default)}.")
    said.append(_STOP_ADVICE)
    return " ".join(said)


def reminder(accepts: Accepts | None) -> str:
    """Return the short line below the prompt; None: nothing is asked just now."""
    keys = ["Ctrl-X stop"]
    if isinstance(accepts, Length) and accepts.is_reading:
        keys.append("again")
        if accepts.may_undo:
            keys.append("undo")
    if accepts is not None and _goes_back(accepts):
        keys.append("back")
    if accepts is not None:
        keys.append("? help")
    return " · ".join(keys)
