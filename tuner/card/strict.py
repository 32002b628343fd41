"""Reading TOML that somebody else wrote: strictly, and all mistakes at once.

A ``Section`` hands out the values of one table. What is missing, of a wrong type, out of
bounds or unknown becomes a finding, ``file: key = value: what is wrong; expected …``, and
reading goes on with a stand-in, so that one pass finds every mistake. A stand-in never
leaves this package: ``Findings.raise_if_any`` comes before anything is returned.

Numbers keep the exact value of their decimal text: 2.032 is 2032/1000. TOML allows numbers
far beyond a machine, written with thousands of digits or a huge exponent; bounds are held
against the decimal before it becomes a fraction, because making one of 1e999999 takes
minutes.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from pathlib import Path
from typing import Any

from tuner.errors import BadFile
from tuner.text import clipped, shown

LARGEST_FILE_BYTES = 1 << 20  # a card has a few kilobytes; this is somebody's other file
_LONGEST_SHOWN = 60
_MOST_DIGITS = 30
_FINEST_EXPONENT = -12
_TOO_LARGE_TO_SHOW = 10**30

Number = int | Decimal


class Findings:
    """What is wrong with one file, in the order in which it was found."""

    def __init__(self, source: str) -> None:
        self.source = shown(source)
        self._found: list[str] = []

    def add(self, what: str) -> None:
        """Add one finding; the name of the file is put before it."""
        self._found.append(f"{self.source}: {what}")

    def raise_if_any(self) -> None:
        """Raise ``BadFile`` with everything found so far."""
        if self._found:
            raise BadFile(self._found)


def read_text(path: Path, what: str) -> str:
    """Return the text of the file at `path`, a `what`, exactly as it is, byte-order mark
    and line ends included.

    Raises ``BadFile`` when it is missing, cannot be read, is too large or is not UTF-8.
    """
    findings = Findings(str(path))
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError:
        findings.add(f"there is no such file; expected a {what}; check the name and the folder")
    except IsADirectoryError:
        findings.add(f"this is a folder; expected a {what}; name the file inside it")
    except (OSError, ValueError) as failure:  # ValueError: a NUL in the name
        reason = getattr(failure, "strerror", None) or str(failure)
        findings.add(f"it cannot be read ({shown(reason)}); check the name and who may read it")
    findings.raise_if_any()
    if len(raw) > LARGEST_FILE_BYTES:
        findings.add(f"it is larger than 1 MiB; expected a {what} of a few kilobytes")
        findings.raise_if_any()
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as failure:
        line = raw.count(b"\n", 0, failure.start) + 1
        findings.add(
            f"line {line} is not UTF-8 text (byte 0x{raw[failure.start]:02x}); "
            "save the file as UTF-8 in your editor"
        )
        raise BadFile([str(finding) for finding in findings.found()]) from None


def _decimal(text: str) -> Decimal:
    try:
        return Decimal(text)
    except InvalidOperation:  # an exponent of more than eighteen digits
        return Decimal("inf")
