"""Readings as columns, and reading them from somebody's CSV file; other tables by the same rules.

RFC 4180 with what spreadsheets make of it: a byte-order mark, any line end, semicolons where the
comma is the sign for decimals. The header is ``commanded_mm,reading_mm`` and, in any order,
``approach`` (plus, minus), ``time_s``, ``feed_mm_per_min`` and ``visit``. A line that begins with
``#`` is a comment, an empty one is passed over. The feed must be a number; no fit depends on it.
A table of something else has a ``Layout`` of its own and is held to the same rules.

The rule: a row counts as it is written or the file does not count. Nothing is guessed,
repaired or left out; what is wrong is told with its line number, several at once.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from tuner.errors import BadFile, BadReadings
from tuner.metrology.least_squares import Floats
from tuner.metrology.reading import SIDE, Approached, Columns
from tuner.text import clipped, shown

__all__ = [
    "LARGEST_FILE_BYTES",
    "ArrayLike",
    "Layout",
    "WrongCell",
    "columns_of",
    "number",
    "one_of",
    "parse_rows",
    "parse_table",
    "quoted",
    "read_bytes",
    "read_table",
]

ArrayLike = npt.ArrayLike

# Two million rows of four short columns; everything else is bounded by this.
LARGEST_FILE_BYTES = 64 << 20
_LONGEST_SHOWN = 40
_MOST_FINDINGS = 10
# A kilometre, as for every reading.
_FURTHEST_MM = 1e6
_LONGEST_S = 1e9
_FASTEST_MM_PER_MIN = 1e6
_LARGEST_VISIT = 1e9

# More digits than a float holds, and no other script's; no nan, no 1_0, no hexadecimal.
_NUMBER = re.compile(
    r"[+-]?(?:[0-9]{1,30}(?:[.,][0-9]{0,30})?|[.,][0-9]{1,30})(?:[eE][+-]?[0-9]{1,3})?"
)
_WHOLE = re.compile(r"[0-9]{1,9}")
_SIDES = {"plus": SIDE["plus"], "minus": SIDE["minus"], "": SIDE[None]}


# --- from arrays ----------------------------------------------------------------------------


def columns_of(
    commanded_mm: ArrayLike,
    reading_mm: ArrayLike,
    *,
    approach: Sequence[Approached | None] | None = None,
    time_s: ArrayLike | None = None,
    visit: ArrayLike | None = None,
) -> Columns:
    """Return the readings in arrays of n values each, in the order taken.

    `approach` : n words, ``plus`` or ``minus`` or None. Raises ``BadReadings`` for what is no
    array of numbers or words, and as ``Columns``.
    """
    commanded = _column("commanded_mm", commanded_mm)
    n = len(commanded)
    visits = np.ones(n) if visit is None else _column("visit", visit)
    if not np.all(np.abs(visits) <= _LARGEST_VISIT) or np.any(visits != np.floor(visits)):
        raise BadReadings("visit has something else than whole numbers in it; count them from 1")
    try:
        side = np.zeros(n) if approach is None else np.array([SIDE[one] for one in approach])
    except (KeyError, TypeError):
        raise BadReadings(
            "approach has something else than plus, minus or None in it; expected the direction "
            "of the move by which the axis arrived"
        ) from None
    return Columns(
        commanded_mm=commanded,
        reading_mm=_column("reading_mm", reading_mm),
        side=side,
        visit=visits.astype(np.int64),
        time_s=None if time_s is None else _column("time_s", time_s),
    )


def _column(name: str, values: ArrayLike) -> Floats:
    try:
        column = np.array(values, dtype=float)
    except (TypeError, ValueError):
        raise BadReadings(f"{name} is no array of numbers; expected one number a reading") from None
    if column.ndim != 1:
        raise BadReadings(f"{name} has {column.ndim} dimensions; expected one number a reading")
    return column


# --- from a file ----------------------------------------------------------------------------


def read_table(path: Path) -> Columns:
    """Return the readings in the CSV file at `path`.

    Raises ``BadFile`` when it cannot be read, is too large or not UTF-8, and as ``parse_table``.
    """
    return parse_table(read_bytes(path, _READINGS.of), str(path))


def read_bytes(path: Path, of: str) -> bytes:
    """Return what is in the CSV file at `path`, a table of `of`, up to one byte more than allowed.

    Raises ``BadFile`` when it cannot be read.
    """
    source = str(path)
    try:
        with path.open("rb") as file:
            return file.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError:
        raise _refused(
            source, f"there is no such file; expected a CSV file of {of}; check the name"
        ) from None
    except IsADirectoryError:
        raise _refused(source, f"this is a folder; name the file of {of} inside it") from None
    except (OSError, ValueError) as failure:  # ValueError: a NUL in the name
        raise _refused(
            source, f"it cannot be read ({shown(str(failure))}); check the name and who may read it"
        ) from None


def parse_table(raw: bytes, source: str) -> Columns:
    """Return the readings in `raw`, the bytes of a CSV file called `source`.

    Raises ``BadFile`` with everything that is wrong, up to ten rows of it.
    """
    columns = parse_rows(raw, source, _READINGS)
    commanded, reading = (np.array(columns[name]) for name in _READINGS.needed)
    n = len(commanded)
    time_s = np.array(columns.get("time_s", [np.nan] * n))
    try:
        return Columns(
            commanded_mm=commanded,
            reading_mm=reading,
            side=np.array(columns.get("approach", [0.0] * n)),
            visit=np.array(columns.get("visit", [1] * n), dtype=np.int64),
            time_s=None if np.any(np.isnan(time_s)) else time_s,
        )
    except BadReadings as failure:  # of the table as a whole: each cell was checked
        raise _refused(source, str(failure)) from None


@dataclass(frozen=True)
class Layout:
    """What a table may hold: a parser for the cells of each column, by name.

    `needed` are the columns it must have, `of` is what it is a table of, `expected` says in words
    what the header should be.
    """

    cells: Mapping[str, Callable[[_File, str], Any]]
    needed: tuple[str, ...]
    of: str
    expected: str


def parse_rows(raw: bytes, source: str, layout: Layout) -> dict[str, list[Any]]:
    """Return the cells of `raw`, the bytes of a CSV file called `source`, column by column.

    Only columns that are there, each with one entry a row and at least one. Raises ``BadFile``
    with everything that is wrong, up to ten rows of it.
    """
    if len(raw) > LARGEST_FILE_BYTES:
        raise _refused(
            source,
            f"it is larger than {LARGEST_FILE_BYTES >> 20} MiB; expected a table of {layout.of}; "
            "split it up",
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as failure:
        line = raw.count(b"\n", 0, failure.start) + 1
        raise _refused(
            source,
            f"line {line} is not UTF-8 text (byte 0x{raw[failure.start]:02x}); save the file as "
            "CSV in UTF-8",
        ) from None
    return _File(source, layout).read(text)


def _refused(source: str, what: str) -> BadFile:
    return BadFile([f"{shown(source)}: {what}"])


def quoted(text: str) -> str:
    """Return what stands in a cell, fit to be shown in a finding."""
    return f"'{clipped(shown(text.strip()), _LONGEST_SHOWN)}'"


class WrongCell(Exception):
    """What is wrong with one cell, in words."""


class _File:
    """One pass over one file; wrong rows become findings and reading goes on."""

    def __init__(self, source: str, layout: Layout) -> None:
        self._source = source
        self._layout = layout
        self._findings: list[str] = []
        self._not_listed = 0
        self._decimal_sign: tuple[str, int] | None = None
        self._line = 0

    def read(self, text: str) -> dict[str, list[Any]]:
        rows = self._rows(text)
        names = self._header(next(rows, None))
        columns: dict[str, list[Any]] = {name: [] for name in names}
        parsers = [(columns[name], partial(self._layout.cells[name], self)) for name in names]
        for cells in rows:
            self._row(cells, names, parsers)
        if self._findings:
            if self._not_listed:
                self._findings.append(f"{shown(self._source)}: and {self._not_listed} more lines")
            raise BadFile(self._findings)
        if not columns[names[0]]:
            raise _refused(
                self._source,
                f"there is no {self._layout.of.removesuffix('s')} below the header; expected some",
            )
        return columns

    def _wrong(self, what: str) -> None:
        if len(self._findings) < _MOST_FINDINGS:
            self._findings.append(f"{shown(self._source)}: line {self._line}: {what}")
        else:
            self._not_listed += 1

    # Rows with their line number, comments and empty lines gone.

    def _rows(self, text: str) -> Iterator[list[str]]:
        lines = io.StringIO(text, newline="")
        header = next((line for line in lines if line.strip() and not _is_comment(line)), "")
        lines.seek(0)
        # An empty line in place of a comment keeps the count of lines.
        reader = csv.reader(
            ("\n" if _is_comment(line) else line for line in lines),
            delimiter=";" if ";" in header else ",",
            strict=True,  # a quote where none belongs is an error and not a guess
        )
        while True:
            self._line = reader.line_num + 1
            try:
                cells = next(reader)
            except StopIteration:
                return
            except csv.Error as failure:
                self._wrong(
                    f"the quotes do not pair up ({shown(str(failure))}); expected one pair around "
                    "a cell, or none"
                )
                return
            if any(cell.strip() for cell in cells):
                yield cells

    def _header(self, cells: list[str] | None) -> list[str]:
        if cells is None:
            raise _refused(self._source, f"there is no header line; {self._layout.expected}")
        names = [cell.strip().lower() for cell in cells]
        where = f"line {self._line}, the header: "
        for name in names:
            if name.endswith(("_deg", "_deg_per_min")):
                raise _refused(
                    self._source,
                    where + f"{quoted(name)} is in degrees; expected mm: a caliper reads lengths",
                )
            if name not in self._layout.cells:
                raise _refused(
                    self._source,
                    where + f"{quoted(name)} is no column here; {self._layout.expected}",
                )
            if names.count(name) > 1:
                raise _refused(self._source, where + f"{name} is there twice; expected it once")
        for name in self._layout.needed:
            if name not in names:
                raise _refused(self._source, where + f"{name} is missing; {self._layout.expected}")
        return names

    def _row(
        self,
        cells: list[str],
        names: list[str],
        parsers: Sequence[tuple[list[Any], Callable[[str], Any]]],
    ) -> None:
        if len(cells) != len(names):
            self._wrong(
                f"{len(cells)} cell{'s' * (len(cells) != 1)}, the header has {len(names)}; "
                "expected equally many; a number with a decimal comma needs quotes, or semicolons "
                "between the cells"
            )
            return
        for name, cell, (column, parse) in zip(names, cells, parsers, strict=True):
            try:
                column.append(parse(cell.strip()))
            except WrongCell as wrong:
                self._wrong(f"{name} {wrong}")
                return

    # Cells.

    def number(self, text: str, furthest: float) -> float:
        """Return the number that `text` is, within `furthest`; raises ``WrongCell``."""
        if not text:
            raise WrongCell("is empty; expected a number like 12.34")
        if not _NUMBER.fullmatch(text):
            raise WrongCell(f"is {quoted(text)}; expected a plain number like 12.34")
        for sign in ".,":
            if sign in text:
                self._hold_to(sign)
        value = float(text.replace(",", "."))
        if not abs(value) <= furthest:
            raise WrongCell(f"is {quoted(text)}; expected a number within {furthest:g}")
        return value

    def _hold_to(self, sign: str) -> None:
        """One sign for decimals in a file: else 1,234 may be a thousand or one and a bit."""
        if self._decimal_sign is None:
            self._decimal_sign = (sign, self._line)
        elif self._decimal_sign[0] != sign:
            words = {".": "a dot", ",": "a comma"}
            raise WrongCell(
                f"has {words[sign]} for decimals, and line {self._decimal_sign[1]} has "
                f"{words[self._decimal_sign[0]]}; expected one of them in the whole file, and "
                "nothing between thousands"
            )


def _is_comment(line: str) -> bool:
    return line.lstrip().startswith("#")


def number(furthest: float, *, empty: float | None = None) -> Callable[[_File, str], float]:
    """Return a parser for a number within `furthest`; an empty cell is `empty`, None: an error."""

    def parse(file: _File, text: str) -> float:
        return empty if empty is not None and not text else file.number(text, furthest)

    return parse


def one_of(words: Mapping[str, Any], expected: str) -> Callable[[_File, str], Any]:
    """Return a parser for one of `words`, in any case; `expected` names them."""

    def parse(_: _File, text: str) -> Any:
        try:
            return words[text.lower()]
        except KeyError:
            raise WrongCell(f"is {quoted(text)}; expected {expected}") from None

    return parse


def _visit(_: _File, text: str) -> float:
    if not _WHOLE.fullmatch(text):
        raise WrongCell(f"is {quoted(text)}; expected a whole number, counted from 1")
    return int(text)


_READINGS = Layout(
    cells={
        "commanded_mm": number(_FURTHEST_MM),
        "reading_mm": number(_FURTHEST_MM),
        "approach": one_of(_SIDES, "plus, minus or nothing"),
        "time_s": number(_LONGEST_S, empty=np.nan),
        "feed_mm_per_min": number(_FASTEST_MM_PER_MIN, empty=np.nan),
        "visit": _visit,
    },
    needed=("commanded_mm", "reading_mm"),
    of="readings",
    expected=(
        "expected commanded_mm,reading_mm and, where they are known, approach, time_s, "
        "feed_mm_per_min, visit"
    ),
)
