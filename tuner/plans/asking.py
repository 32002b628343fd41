"""Asking for what a person reads off a machine: exact numbers, counts, letters of axes.

The rule it keeps: a question is asked until its answer counts, with the reason each time it
does not; and no digit that was typed is lost on the way.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TypeVar

from tuner.drive.designation import Explained
from tuner.drive.numbers import exact_mm, exact_number, plain_number
from tuner.messages import Say, Text
from tuner.plans.run import Part, hear
from tuner.text import clipped, shown

__all__ = [
    "DEGREES_C",
    "REFUSED",
    "UNKNOWN",
    "Read",
    "Size",
    "angle",
    "designated",
    "gear_pair",
    "interval",
    "length",
    "letters",
    "microsteps",
    "name",
    "none_or",
    "number",
    "or_unknown",
    "pitch",
    "typed",
    "whole",
]

T = TypeVar("T")
V = TypeVar("V")
Read = Callable[[str], T]
"""Turns a typed text into a value; raises ``ValueError`` with the reason and what is expected."""

REFUSED = "refused"
"""The key of the reason why an answer does not count; its question follows once more."""

DEGREES_C = ("°C", "C", "deg C", "degrees")
"""How a temperature's unit is written behind its number."""

UNKNOWN = "unknown"
NONE = "none"

_WHOLE = re.compile(r"[0-9]{1,12}", re.ASCII)
_PAIR = re.compile(r"([0-9]{1,12})\s*[:/]\s*([0-9]{1,12})", re.ASCII)
_COUNTED = re.compile(r"/([0-9]{1,12})\s*(?:mm)?$", re.ASCII)
_BETWEEN_LETTERS = re.compile(r"[\s,;+&/]+|\band\b|-?\b(?:axis|axes)\b")
_MICROSTEPS = re.compile(r"(?:1\s*[/:]\s*|x)?([0-9]{1,12})|([0-9]{1,12})\s*x", re.ASCII)
# A dash is no minus sign between two numbers without one, and with nothing or blanks around it.
_DASHED = re.compile(r"([0-9.,]+)(?:[-\u2013]|\s+[-\u2013]\s+)([0-9.,]+)", re.ASCII)
_BETWEEN_ENDS = re.compile(r"\s*(?:\.{2,3}|\u2026|\bto\b)\s*|[,;]?\s+")
_BEHIND_NUMBER = {"mm": r"(?<=[0-9])\s*mm\b", "deg": r"(?<=[0-9])\s*(?:deg(?:rees)?\b|°)"}
_LONGEST_SHOWN = 40
# No step is this coarse and no motor has so few of them, so a bare number says which it is.
_FEWEST_FULL_STEPS = 20


def typed(key: str, says: str, read: Read[T], *, wanted: str, default: str = "") -> Part[T]:
    """Ask `says` until `read` makes a value of the answer, and return that value.

    `wanted` is what the prompt calls the answer, and Enter alone means `default`.
    """
    while True:
        text = yield from hear(Text(key=key, default=default, wanted=wanted, says=says))
        try:
            if not text.strip():
                raise ValueError(f"Enter alone answers nothing here; expected: {wanted}")
            return read(text.strip())
        except ValueError as reason:
            yield Say(key=REFUSED, says=str(reason))


def or_unknown(read: Read[T]) -> Read[T | None]:
    """Return a reader that also takes the word ``unknown``, which is None."""
    return _or_word(read, UNKNOWN, None)


def none_or(read: Read[int]) -> Read[int]:
    """Return a reader that also takes the word ``none``, which is 0."""
    return _or_word(read, NONE, 0)


def _or_word(read: Read[T], word: str, value: V) -> Read[T | V]:
    def read_or_word(text: str) -> T | V:
        if text.lower() == word:
            return value
        try:
            return read(text)
        except ValueError as reason:
            raise ValueError(f"{reason}; or type {word}") from None

    return read_or_word


def name(longest: int) -> Read[str]:
    """Return a reader of a name that can be seen, of at most `longest` characters."""

    def read(text: str) -> str:
        if not text.isprintable():
            raise ValueError(
                f"'{clipped(shown(text), _LONGEST_SHOWN)}' has characters that cannot be seen; "
                "type it with letters and digits"
            )
        if len(text) > longest:
            raise ValueError(f"that has {len(text)} characters; type {longest} at most")
        return text

    return read


def whole(low: int, high: int, *units: str) -> Read[int]:
    """Return a reader of a whole number from `low` to `high`, one of `units` behind it or not."""

    def read(text: str) -> int:
        text = _without(units, text)
        if not _WHOLE.fullmatch(text):
            raise ValueError(
                f"'{clipped(shown(text), _LONGEST_SHOWN)}' is not a whole number; type digits only"
            )
        if not low <= int(text) <= high:
            raise ValueError(f"{int(text)} is out of bounds; expected {low} to {high}")
        return int(text)

    return read


def microsteps(low: int, high: int) -> Read[int]:
    """Return a reader of the microsteps in a full step, typed like ``16``, ``1/16`` or ``16x``."""
    count = whole(low, high)

    def read(text: str) -> int:
        bare = _without(("microsteps", "microstep", "step"), text.lower())
        match = _MICROSTEPS.fullmatch(bare)
        if not match:
            raise ValueError(
                f"'{clipped(shown(text), _LONGEST_SHOWN)}' is no number of microsteps; type it "
                "like 16 or 1/16"
            )
        return count(match[1] or match[2])

    return read


def number(low: Fraction | int, high: Fraction | int, *units: str) -> Read[Fraction]:
    """Return a reader of a number from `low` to `high`, exactly as typed.

    One of `units` may stand behind it; the first of them is the one that is expected.
    """

    def read(text: str) -> Fraction:
        return _within(exact_number(_without(units, text)), low, high, units[0] if units else "")

    return read


def gear_pair(low: int, high: int) -> Read[int | tuple[int, int]]:
    """Return a reader of the teeth of one wheel, or of both of a pair as ``17:50``, motor first.

    A pair that would turn faster than the motor is refused: ``5:1`` is how a gearbox is named,
    the other way round.
    """
    teeth = whole(low, high, "teeth")

    def read(text: str) -> int | tuple[int, int]:
        match = _PAIR.fullmatch(_without(("teeth",), text))
        if not match:
            return teeth(text)
        driver, driven = teeth(match[1]), teeth(match[2])
        if driver > driven:
            raise ValueError(
                f"{driver} on the motor's side driving {driven} would turn faster than the motor; "
                f"a gearbox of {driver}:{driven} is typed {driven}:{driver}. If it is really so, "
                "type the two numbers one at a time"
            )
        return driver, driven

    return read


def length(low: Fraction | int, high: Fraction | int) -> Read[Fraction]:
    """Return a reader of a length in mm from `low` to `high`, also typed in inch."""

    def read(text: str) -> Fraction:
        return _within(exact_mm(text), low, high, "mm")

    return read


def interval(furthest: int, unit: str) -> Read[tuple[Fraction, Fraction]]:
    """Return a reader of two positions within +-`furthest`, the lower one first.

    One number alone stands for 0 to that number. Two may be typed like ``-5 220``, ``-5 to 220``,
    ``-5..220`` or, where neither has a sign, ``0-220``.
    """

    def read(text: str) -> tuple[Fraction, Fraction]:
        bare = re.sub(_BEHIND_NUMBER[unit], "", text.lower()).removeprefix("from ").strip()
        dashed = _DASHED.fullmatch(bare)
        words = dashed.groups() if dashed else _BETWEEN_ENDS.split(bare)
        try:
            if len(words) > 2:
                raise ValueError
            numbers = [exact_number(one) for one in words]
        except ValueError:
            raise ValueError(
                f"'{clipped(shown(text), _LONGEST_SHOWN)}' is not one or two numbers in {unit}; "
                "type them like 220, or -5 to 220: a dash beside a minus sign may mean either"
            ) from None
        ends = [_within(one, -furthest, furthest, unit) for one in numbers]
        low, high = (Fraction(0), *ends)[-2:]
        if high - low < 1:
            raise ValueError(
                f"from {plain_number(low)} to {plain_number(high)} {unit} there is nothing to "
                f"measure; expected the lower end first, and 1 {unit} or more between them"
            )
        return low, high

    return read


@dataclass(frozen=True)
class Size:
    """A size of a part in mm; `over` says how many were measured at once, 0 where none was."""

    mm: Fraction
    over: int


def pitch(low: Fraction, high: Fraction, over: Fraction) -> Read[Size]:
    """Return a reader of a size in mm, typed, or measured over several as ``31.4/10``.

    What was measured is divided by `over`: a rack is measured in pitches and named by its
    module, which is the pitch / pi.
    """

    def read(text: str) -> Size:
        mm = _within(exact_mm(text) / (over if "/" in text else 1), low, high, "mm")
        counted = _COUNTED.search(text.lower())  # not in 1/16 in, which nobody has measured
        return Size(mm, int(counted[1]) if counted else 0)

    return read


def designated(read: Read[T], find: Callable[[str], Explained[V]]) -> Read[T | Explained[V]]:
    """Return a reader of a designation that `find` explains, or else of what `read` takes."""

    def read_or_find(text: str) -> T | Explained[V]:
        try:
            return find(text)
        except ValueError:
            pass  # what it expects is said below, in the words of this question
        try:
            exact_mm(text)
        except ValueError:
            raise ValueError(
                f"'{clipped(shown(text), _LONGEST_SHOWN)}' is no length, and no designation in a "
                "standard that is known here; measure over ten pitches and type it like 20.0/10"
            ) from None
        return read(text)

    return read_or_find


def angle(text: str) -> Fraction:
    """Return the step angle in degrees, typed as degrees or as full steps in a turn."""
    word = text.lower()
    bare = _without(("degrees", "deg", "steps", "°"), word)
    value = exact_number(bare)
    if value <= 0:
        raise ValueError(f"{plain_number(value)} is no step; type it like 1.8, or 200 steps")
    counted = word.endswith("steps") or (bare == word and value >= _FEWEST_FULL_STEPS)
    degrees = 360 / value if counted else value
    if (360 / degrees).denominator != 1:
        raise ValueError(
            f"360 degrees are {plain_number(360 / degrees)} such steps, which is not a whole "
            "number; type the angle of one full step, such as 1.8, or the steps, such as 200"
        )
    return _within(degrees, Fraction("0.01"), 90, "degrees")


def letters(allowed: Sequence[str], *, may_be_none: bool = True) -> Read[tuple[str, ...]]:
    """Return a reader of some of the letters `allowed`, in that order, or of ``none``.

    They may be typed like ``x y z``, ``XYZ``, ``x, y and z`` or ``X axis``.
    """

    def read(text: str) -> tuple[str, ...]:
        word = text.lower()
        if may_be_none and word == NONE:
            return ()
        asked = "".join(_BETWEEN_LETTERS.split(word))
        if not asked or not set(asked) <= set(allowed):
            raise ValueError(
                f"'{clipped(shown(text), _LONGEST_SHOWN)}' does not name axes; type letters out of "
                f"{' '.join(allowed)}{', or none' if may_be_none else ''}"
            )
        return tuple(one for one in allowed if one in asked)

    return read


def _without(units: Sequence[str], text: str) -> str:
    """Return `text` without the one of `units` that it ends with, the longest that fits."""
    ends = [one for one in units if text.lower().endswith(one.lower())]
    return text[: len(text) - len(max(ends, key=len))].strip() if ends else text


def _within(value: Fraction, low: Fraction | int, high: Fraction | int, unit: str) -> Fraction:
    if not low <= value <= high:
        bounds = f"{plain_number(Fraction(low))} to {plain_number(Fraction(high))}"
        raise ValueError(
            f"{plain_number(value)} is out of bounds; expected {bounds} {unit}".strip()
        )
    return value
