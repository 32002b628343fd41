"""The words at a prompt: what to type, what ``?`` explains, what the row below says meanwhile.

The rule it keeps: what must be known stands in the prompt itself; the row below is a
comfort that a terminal may never show. Enter never starts a move.

The numeric pad is enough for a session: options have numbers, and a sign alone is a word. For
consent there are two different keys in a row, `*` and `+`, then Enter: neither a caliper with a
data cable nor one key held down can type that.
"""

from __future__ import annotations

from tuner.answers import parse
from tuner.console.asked import about
from tuner.console.desk import one_line
from tuner.errors import BadAnswer, Stopped
from tuner.messages import Accepts, Again, Go, Length, Line, OneOf, Undo, Value, Words
from tuner.text import clipped, visible

__all__ = [
    "PAD_GO",
    "STOPPING",
    "WORKING",
    "completed",
    "explanation",
    "meant",
    "prompt",
    "reminder",
    "while_typing",
]

WORKING = "working, Ctrl-X stops > "
STOPPING = "stopping, Ctrl-X repeats the stop > "

PAD_GO = "*+"
# A sign of the numeric pad that stands alone.
_PAD = {"+": "again", "-": "undo", "/": "stop", "*": "?"}

_LONGEST_DEFAULT = 40  # characters of it in a prompt
_A_READING = (
    "Hold the caliper square to the faces with the same light pressure every time, look at it "
    "straight, and read it twice before you type. What it shows is right, also where it surprises."
)
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
            return _completed(f"reading in {accepts.unit}", accepts)
        case Length():
            kind = "angle" if accepts.unit == "deg" else "length"
            return _completed(f"{kind} in {accepts.unit}", accepts)
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
        case Length(unit="deg"):
            return (
                "Type an angle in degrees, like 12.3 or 12,3, and press Enter. It must lie between "
                f"{accepts.low_mm:g} and {accepts.high_mm:g} degrees."
            )
        case Length():
            return (
                "Type a length in mm, like 12.34 or 12,34, and press Enter; in inches with in, "
                f"like 0.486 in. It must lie between {accepts.low_mm:g} and {accepts.high_mm:g} mm."
            )
        case Words():
            return f"Type what is asked for ({accepts.wanted}) and press Enter."


def explanation(accepts: Accepts, line: Line | None = None) -> str:
    """Return the paragraph that ``?`` shows at the question of `line`.

    A reading that counts has a number; closed jaws do not.
    """
    said = [about(line.key)] if line else []
    if _is_reading(accepts) and not any(said):
        said.append(_A_READING)
    said.append(_meaning(accepts))
    if _is_reading(accepts):
        n = dict(line.fields).get("n", "0") if line else "0"
        said.append(
            "again asks once more (+ on the numeric pad)."
            if n == "0"
            else "again approaches the same place once more (+ on the numeric pad)."
        )
        if _may_undo(accepts):
            said.append(
                "undo returns to the question before this one (-)."
                if n in ("0", "1")
                else "undo takes the reading before this one back (-)."
            )
    if _goes_back(accepts):
        said.append("back returns to the question before this one (- on the numeric pad).")
    if not isinstance(accepts, Go) and accepts.default:
        said.append(f"Enter alone takes {one_line(accepts.default)}.")
    if isinstance(accepts, Go):
        said.append("On the numeric pad * and then + are the same as go.")
    said.append(_STOP_ADVICE)
    return " ".join(filter(None, said))


def reminder(accepts: Accepts | None) -> str:
    """Return the row below the prompt while nothing is typed; None: nothing is asked just now."""
    if accepts is None:
        return ""
    keys = ["? or * help", "/ stop"]
    if isinstance(accepts, Go):
        keys.insert(0, "on the numeric pad: * then + is go")
    if _is_reading(accepts):
        keys.append("+ again")
    if _may_undo(accepts):
        keys.append("- undo" if _is_reading(accepts) else "- back")
    if _candidates(accepts):
        keys.append("Tab completes")
    return " | ".join(keys)


def _may_undo(accepts: Accepts) -> bool:
    return not isinstance(accepts, Go) and accepts.may_undo


def meant(accepts: Accepts, text: str) -> str:
    """Return the word for which `text`, typed on the numeric pad, stands; other text as it is."""
    typed = text.strip()
    if isinstance(accepts, Go) and typed == PAD_GO:
        return "go"
    return _PAD.get(typed, text)


def while_typing(accepts: Accepts, text: str) -> str:
    """Return what Enter would do with `text` as it stands, or why it is no answer (yet)."""
    if not text.strip():
        return reminder(accepts)
    word = meant(accepts, text)
    if word.strip() == "?":
        return "Enter: explain this question"
    try:
        reply = parse(accepts, word)
    except Stopped:
        return "Enter: stop"
    except BadAnswer as reason:
        begun = [one for one in _candidates(accepts) if one.startswith(word.strip().lower())]
        if begun and word == text:
            return f"Tab: {', '.join(begun)}"
        if isinstance(accepts, Go) and PAD_GO.startswith(text.strip()):
            return f"then {PAD_GO[1:]} for go"
        return f"not yet: {visible(str(reason))}"
    match reply:
        case Again():
            return "Enter: approach this place again"
        case Undo():
            return "Enter: take the last one back"
        case Value(float() as value):
            unit = accepts.unit if isinstance(accepts, Length) else "mm"
            return f"Enter: {value:.2f} {unit}"
        case Value(value):
            return f"Enter: {visible(one_line(str(value)))}"


def completed(accepts: Accepts, text: str) -> str:
    """Return `text` made longer as far as all that it can become agree; else `text` itself."""
    begun = [one for one in _candidates(accepts) if one.startswith(text)]
    if not begun:
        return text
    first, last = min(begun), max(begun)  # what these two share, all between them share
    same = [one == other for one, other in zip(first, last, strict=False)]
    return first[: same.index(False) if False in same else len(same)]


def _candidates(accepts: Accepts) -> tuple[str, ...]:
    match accepts:
        case Go():
            return ("go",)
        case OneOf():
            return accepts.options
        case Length(is_reading=True):
            return ("again", "undo") if accepts.may_undo else ("again",)
        case Length():
            return ()
        case Words():
            return accepts.suggestions
