"""What a person may type, and what it means. Pure functions, one table of accepted forms.

A caliper with a data cable types like a keyboard and presses Enter, so a reading is a
plain decimal number with dot or comma, at most one sign, optionally ``mm`` or ``in``.
``float()`` would also take ``nan``, ``1e3``, ``1_0`` and the digits of other scripts; none
of these is a caliper reading.
"""

from __future__ import annotations

import re
from fractions import Fraction

from tuner.errors import BadAnswer, Stopped
from tuner.messages import Accepts, Again, Go, Length, OneOf, Reply, Undo, Value, Words
from tuner.text import clipped, shown

_NUMBER = re.compile(r"([+-]?)([0-9]{1,6})(?:[.,]([0-9]{1,8}))?\s*(mm|cm|in|\"|deg)?", re.ASCII)
_OPTION_NUMBER = re.compile(r"[1-9][0-9]?", re.ASCII)
_TAKES_BACK = ("undo", "back")
_BEFORE = "there is no answer since the last move, reading or report to take back"
_MOST_NAMED = 200  # characters of options in a refusal
_SHORT = {"y": "yes", "n": "no"}
# Words that turn what is said round, or add to it.
_TURNS = frozenset({"not", "no", "but", "never", "doesn't", "isn't"})
_MM_PER_INCH = Fraction(254, 10)  # exact by definition (NIST SP 811)


def parse_mm(text: str) -> float:
    """Return the length typed as `text` in mm; raises ``BadAnswer`` for anything else."""
    match = _NUMBER.fullmatch(text.strip().lower())
    if not match or match[4] == "deg":
        raise BadAnswer(
            f"'{clipped(shown(text.strip()), 40)}' is not a length; type it like 12.34, 12,34, "
            "12.34 mm or 0.486 in"
        )
    sign, whole, decimals, unit = match.groups()
    value = Fraction(f"{whole}.{decimals or '0'}")
    if unit == "cm":
        value *= 10
    if unit in ("in", '"'):
        value *= _MM_PER_INCH
    return float(-value if sign == "-" else value)


def parse_deg(text: str) -> float:
    """Return the angle typed as `text` in degrees; raises ``BadAnswer`` for anything else."""
    match = _NUMBER.fullmatch(text.strip().lower())
    if not match or match[4] not in (None, "deg"):
        raise BadAnswer(
            f"'{clipped(shown(text.strip()), 40)}' is not an angle; type it in degrees, like 12.3, "
            "12,3 or 12.3 deg"
        )
    return parse_mm(text.strip().lower().removesuffix("deg"))


def _no_answer(text: str, before: str) -> Reply | None:
    """Return what a word that is no answer asks for; ``BadAnswer`` for what nothing is left of."""
    if text in _TAKES_BACK:
        raise BadAnswer(before)
    return Again() if text == "again" else None


def _going_back(word: str) -> str:
    """Return what may be done about an answer before a go, for whoever wants it back."""
    if word not in _TAKES_BACK:
        return ""
    return (
        ". A reading is taken back at the next reading. For another answer type stop: tuner resume "
        "keeps the readings and asks anew how far the axis may go"
    )


def _length(accepts: Length, text: str) -> Reply:
    if not text and accepts.default:
        text = accepts.default
    before = "no earlier reading can be taken back from here" if accepts.is_reading else _BEFORE
    if (reply := _no_answer(text, before)) is not None:
        return reply
    value = parse_deg(text) if accepts.unit == "deg" else parse_mm(text)
    if not accepts.low_mm <= value <= accepts.high_mm:
        unit, what = ("deg", "an angle") if accepts.unit == "deg" else ("mm", "a length")
        advice = f"type {what} in this range"
        if accepts.is_reading:
            advice = "read the mark again" if unit == "deg" else "read the caliper again"
        inside = f"{accepts.low_mm:g} to {accepts.high_mm:g} {unit}"
        raise BadAnswer(f"{value:g} {unit} is outside {inside}; {advice}")
    return Value(value)


def _one_of(accepts: OneOf, text: str) -> Reply:
    if not text and accepts.default:
        return Value(accepts.default)
    for option in accepts.options:
        if option.lower() in (text, text.replace(" ", "-")):
            return Value(option)
    if (
        text.isascii()
        and text.isdigit()
        and len(text) < 3
        and 1 <= int(text) <= len(accepts.options)
    ):
        return Value(accepts.options[int(text) - 1])
    if (reply := _no_answer(text, _BEFORE)) is not None:
        return reply
    if set(_SHORT.values()) <= set(accepts.options) and (meant := _SHORT.get(text)):
        return Value(meant)
    said = text.replace("-", " ")
    also = {option for words, option in accepts.also if _is_said(words, said)}
    if len(also) == 1:
        return Value(also.pop())
    last = len(accepts.options)
    numbers = f"a number 1 to {last}" if last > 1 else "1"
    named = ", ".join(accepts.options)
    raise BadAnswer(f"type {numbers}{f' or one of: {named}' if len(named) <= _MOST_NAMED else ''}")


def _is_said(words: str, said: str) -> bool:
    """Return whether an answer is `words`, or for words with a star has some that begin so."""
    if not words.endswith("*"):
        return said == words
    return f" {words[:-1]}" in f" {said}" and _TURNS.isdisjoint(said.split())


def parse(accepts: Accepts, text: str) -> Reply:
    """Return the reply that `text` means as an answer to `accepts`.

    Raises ``Stopped`` for ``stop``, whatever was asked, and ``BadAnswer`` with the reason
    when the text is no answer to this question. ``Again`` at a reading approaches anew, elsewhere
    it asks for the question once more.
    """
    text = text.strip()
    word = text.lower()
    if word == "stop":
        raise Stopped("stopped at your word")
    if word in _TAKES_BACK and not isinstance(accepts, Go) and accepts.may_undo:
        return Undo()
    match accepts:
        case Go(what):
            if word != "go":
                start = "starts this move" if what == "move" else "switches this heater on"
                raise BadAnswer(f"only go {start}; type go, or stop{_going_back(word)}")
            return Value("go")
        case OneOf():
            return _one_of(accepts, word)
        case Length():
            return _length(accepts, word)
        case Words():
            if word in _TAKES_BACK:
                raise BadAnswer(f"{_BEFORE}; type something else, or stop")
            return Value(text or accepts.default)
