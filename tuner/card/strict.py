"""Reading TOML that somebody else wrote: strictly, and all mistakes at once.

A ``Section`` hands out the values of one table. What is missing, of a wrong type, out of
bounds or unknown becomes a finding, ``file: key = value: what is wrong; expected …``, and
reading goes on with a stand-in, so that one pass finds every mistake. A stand-in never
leaves this package: ``Section.raise_if_any`` comes before anything is returned.

Numbers keep the exact value of their decimal text: 2.032 is 2032/1000. TOML allows numbers
far beyond a machine, with thousands of digits or a huge exponent; bounds are held against
the decimal before it becomes a fraction, since making one of 1e-999999 takes minutes.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeVar, cast

from tuner.drive.numbers import plain_number
from tuner.errors import BadFile
from tuner.text import clipped, covered, shown

LARGEST_FILE_BYTES = 1 << 20  # a card has a few kilobytes; more is somebody's other file
_LONGEST_SHOWN = 60
_LONGEST_REASON = 200
_MOST_IN_A_LIST = 50
_MOST_DIGITS = 30
_TOO_LARGE_TO_WRITE_OUT = 10**30
# The time to read a dotted key grows with the square of its parts: one of 100 kilobytes
# takes most of a minute.
_LONGEST_LINE = 1000
# Wider than every limit a value is held against, narrow enough for cheap fractions.
_EXPONENTS = range(-12, 13)

W = TypeVar("W", bound=str)


def refused(source: str, what: str) -> BadFile:
    """Return the error of a file that cannot be used at all."""
    return BadFile([f"{shown(source)}: {what}"])


def read_text(path: Path, what: str) -> str:
    """Return the text of the file at `path`, a `what`, exactly as it is, byte-order mark
    and line ends included.

    Raises ``BadFile`` when it is missing, cannot be read, is too large or is not UTF-8.
    """
    source = str(path)
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError:
        raise refused(
            source, f"there is no such file; expected a {what}; check the name and the folder"
        ) from None
    except IsADirectoryError:
        raise refused(
            source, f"this is a folder; expected a {what}; name the file inside it"
        ) from None
    except (OSError, ValueError) as failure:  # ValueError: a NUL in the name
        raise refused(
            source, f"it cannot be read ({shown(str(failure))}); check the name and who may read it"
        ) from None
    if len(raw) > LARGEST_FILE_BYTES:
        raise refused(source, f"it is larger than 1 MiB; expected a {what} of a few kilobytes")
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as failure:
        line = raw.count(b"\n", 0, failure.start) + 1
        raise refused(
            source,
            f"line {line} is not UTF-8 text (byte 0x{raw[failure.start]:02x}); "
            "save the file as UTF-8 in your editor",
        ) from None


def _decimal(text: str) -> Decimal:
    try:
        return Decimal(text)
    except InvalidOperation:  # an exponent of twenty digits
        return Decimal("inf")


def _rendered(value: object) -> str:
    """Return a value of a TOML file as a person would find it there, clipped."""
    match value:
        case bool():
            text = "true" if value else "false"
        case int() if abs(value) >= _TOO_LARGE_TO_WRITE_OUT:
            text = hex(value)  # Python refuses to write thousands of decimal digits
        case Decimal() if not value.is_finite():
            text = "nan" if value.is_nan() else f"{value:f}".lower().removesuffix("inity")
        case str():
            text = f'"{shown(clipped(value, _LONGEST_SHOWN))}"'
        case date() | time():
            text = value.isoformat()
        case dict():
            text = "{ … }" if value else "{ }"
        case list():
            text = f"[{', '.join(map(_rendered, value[:4]))}{', …' if value[4:] else ''}]"
        case _:
            text = str(value)
    return clipped(text, _LONGEST_SHOWN)


def _span(low: Fraction, high: Fraction, unit: str) -> str:
    return f"a number from {plain_number(low)} to {plain_number(high)} {unit}"


class Section:
    """One table of a file. Every section of a file adds to the same findings."""

    def __init__(
        self,
        values: Mapping[str, Any],
        source: str,
        findings: list[str],
        where: tuple[str, ...] = (),
    ) -> None:
        self._values = values
        self._source = source
        self._findings = findings
        self._where = where
        self._asked: dict[str, None] = {}  # a set that keeps its order

    def _path(self, *keys: str) -> str:
        path = ".".join((*self._where, *keys))
        return shown(clipped(path, _LONGEST_SHOWN))

    # --- findings ---------------------------------------------------------------------

    def refuse(self, key: str, wrong: str, expected: str) -> None:
        """Add a finding about the value of `key`."""
        value = _rendered(self._values[key])
        self._findings.append(
            f"{self._source}: {self._path(key)} = {value}: {wrong}; expected {expected}"
        )

    def refuse_all(self, wrong: str, expected: str) -> None:
        """Add a finding about the table as a whole."""
        self._findings.append(
            f"{self._source}: {self._path()} = {_rendered(self._values)}: {wrong}; "
            f"expected {expected}"
        )

    def missing(self, key: str, expected: str) -> None:
        """Add the finding that `key` is not there."""
        self._findings.append(f"{self._source}: {self._path(key)}: missing; expected {expected}")

    def unknown_keys(self, advice: Mapping[str, str] | None = None) -> None:
        """Add a finding for every key that nobody asked for.

        `advice` says what is expected instead of a key that somebody may well write.
        """
        for key in self._values:
            if key in self._asked:
                continue
            near = difflib.get_close_matches(key[:_LONGEST_SHOWN], self._asked, n=1)
            known = ", ".join(near or self._asked) or "no key at all"
            self.refuse(key, "this key is not known here", (advice or {}).get(key, known))

    def raise_if_any(self) -> None:
        """Raise ``BadFile`` with everything that is wrong with the whole file."""
        if self._findings:
            raise BadFile(self._findings)

    # --- values -----------------------------------------------------------------------

    def has(self, key: str) -> bool:
        """Whether `key` is there; from now on it is a known key."""
        self._asked[key] = None
        return key in self._values

    def _absent(self, key: str, expected: str, default: object) -> bool:
        if self.has(key):
            return False
        if default is None:
            self.missing(key, expected)
        return True

    @property
    def names(self) -> Sequence[str]:
        """The keys of the table in the order of the file; they stay unknown until asked for."""
        return tuple(self._values)

    def _bounded(
        self, key: str, value: object, low: Fraction, high: Fraction, unit: str
    ) -> Fraction:
        expected = _span(low, high, unit)
        if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
            self.refuse(key, "this is not a number", expected)
            return low
        if isinstance(value, Decimal):
            if not value.is_finite():
                self.refuse(key, "this is no finite number", expected)
                return low
            if value and value.adjusted() not in _EXPONENTS:
                self.refuse(key, "this is out of bounds", expected)
                return low
            if len(value.as_tuple().digits) > _MOST_DIGITS:
                self.refuse(key, "this has more digits than any machine needs", expected)
                return low
        exact = Fraction(value) if value else Fraction(0)
        if not low <= exact <= high:
            self.refuse(key, "this is out of bounds", expected)
            return low
        return exact

    def number(
        self,
        key: str,
        low: Fraction | int,
        high: Fraction | int,
        unit: str,
        default: Fraction | None = None,
    ) -> Fraction:
        """Return the number `key` from `low` to `high`; without a `default` it must be there."""
        low, high = Fraction(low), Fraction(high)
        if self._absent(key, _span(low, high, unit), default):
            return low if default is None else default
        return self._bounded(key, self._values[key], low, high, unit)

    def interval(self, key: str, low: int, high: int, unit: str) -> tuple[Fraction, Fraction]:
        """Return the two numbers of `key`, from `low` to `high`, the smaller one first."""
        stand_in = Fraction(low), Fraction(high)
        expected = f"two numbers, [from, to] in {unit}, the smaller one first"
        if self._absent(key, expected, None):
            return stand_in
        ends = self._values[key]
        if not isinstance(ends, list) or len(ends) != 2:
            self.refuse(key, "this is not two numbers", expected)
            return stand_in
        known = len(self._findings)
        start, end = (self._bounded(key, one, *stand_in, unit) for one in ends)
        if len(self._findings) == known and start >= end:
            self.refuse(key, "the first is not smaller than the second", expected)
        return start, end

    def count(self, key: str, low: int, high: int, default: int | None = None) -> int:
        """Return the whole number `key` from `low` to `high`."""
        expected = f"a whole number from {low} to {high}"
        if self._absent(key, expected, default):
            return low if default is None else default
        value = self._values[key]
        if isinstance(value, bool) or not isinstance(value, int):
            self.refuse(key, "this is not a whole number", expected)
        elif not low <= value <= high:
            self.refuse(key, "this is out of bounds", expected)
        else:
            return value
        return low

    def flag(self, key: str, default: bool | None = None) -> bool:
        """Return `key`, true or false."""
        expected = "true or false"
        if self._absent(key, expected, default):
            return bool(default)
        value = self._values[key]
        if not isinstance(value, bool):
            self.refuse(key, "this is neither", expected)
            return False
        return value

    def text(self, key: str, expected: str, longest: int, default: str | None = None) -> str:
        """Return the text `key`: printable, not blank, at most `longest` characters."""
        if self._absent(key, expected, default):
            return default or ""
        return self._line(key, self._values[key], expected, longest)

    def texts(
        self, key: str, expected: str, longest: int, default: tuple[str, ...]
    ) -> tuple[str, ...]:
        """Return the texts of the list `key`, each as in ``text``."""
        if not self.has(key):
            return default
        values = self._values[key]
        if not isinstance(values, list) or len(values) > _MOST_IN_A_LIST:
            self.refuse(key, f"this is not a list of at most {_MOST_IN_A_LIST}", expected)
            return default
        return tuple(self._line(key, value, expected, longest) for value in values)

    def _line(self, key: str, value: object, expected: str, longest: int) -> str:
        if not isinstance(value, str):
            self.refuse(key, "this is not a text in quotes", expected)
        elif not value.strip():
            self.refuse(key, "this is blank", expected)
        elif covered(value) != value:
            self.refuse(key, "this has characters that cannot be seen, or pile up", expected)
        elif len(value) > longest:
            self.refuse(key, f"this has {len(value)} characters", f"{longest} at most")
        else:
            return value
        return ""

    def word(self, key: str, options: Sequence[W], default: W | None = None) -> W:
        """Return the text `key`, one of `options`; the stand-in is an empty text."""
        expected = " or ".join(f'"{option}"' for option in options)
        if self._absent(key, expected, default):
            return default or cast(W, "")
        value = self._values[key]
        for option in options:
            if value == option:
                return option
        self.refuse(key, "this is not one of the words", expected)
        return cast(W, "")

    def day(self, key: str) -> date | None:
        """Return the date `key`, or None where it is not there."""
        if not self.has(key):
            return None
        value = self._values[key]
        if isinstance(value, date) and not isinstance(value, datetime):
            return value
        self.refuse(key, "this is not a date", "one such as 2026-03-14, without quotes")
        return None

    def section(self, key: str, expected: str) -> Section:
        """Return the table `key`.

        After a finding this is an empty table which keeps what it lacks to itself: one
        missing table is one finding.
        """
        if self._absent(key, expected, None):
            return Section({}, self._source, [])
        values = self._values[key]
        if not isinstance(values, dict):
            self.refuse(key, "this is not a table", expected)
            return Section({}, self._source, [])
        return self._below(values, key)

    def sections(self, key: str, expected: str, most: int) -> list[Section]:
        """Return the tables of the list `key`, none where it is not there."""
        if not self.has(key):
            return []
        values = self._values[key]
        if (
            not isinstance(values, list)
            or len(values) > most
            or not all(isinstance(value, dict) for value in values)
        ):
            self.refuse(key, f"this is not a list of at most {most} tables", expected)
            return []
        return [self._below(value, f"{key}[{n}]") for n, value in enumerate(values, 1)]

    def _below(self, values: Mapping[str, Any], key: str) -> Section:
        return Section(values, self._source, self._findings, (*self._where, key))


def parse(text: str, source: str, what: str) -> Section:
    """Return the top table of the TOML `text`, a `what` of our schema 1 found in `source`.

    Raises ``BadFile`` at once when it is empty, no TOML or of another schema, since nothing
    in it can be relied on then.
    """
    text = text.removeprefix("\ufeff")
    if not text.strip():
        raise refused(source, f"it is empty; expected a {what}")
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > _LONGEST_LINE:
            raise refused(
                source,
                f"line {number} has {len(line)} characters; expected a {what}, where no line "
                f"has more than {_LONGEST_LINE}",
            )
    try:
        values = tomllib.loads(text, parse_float=_decimal)
    except RecursionError:
        raise refused(source, f"it is nested too deep; expected a {what}") from None
    except ValueError as failure:
        raise refused(
            source,
            f"this is not TOML: {clipped(shown(str(failure)), _LONGEST_REASON)}; correct that "
            "place, then check again: nothing after it was read",
        ) from None
    top = Section(values, shown(source), [])
    if not top.has("schema"):
        top.missing("schema", "schema = 1 as the first line")
    elif isinstance(values["schema"], bool) or values["schema"] != 1:
        top.refuse("schema", f"this {what} cannot be read by this version of the program", "1")
        top.raise_if_any()
    return top
