"""Transcripts of a conversation: everything sent, heard, shown and answered, one line each.

    seconds > sent            seconds ! port event          # comment
    seconds < received        seconds ~ TAG …, shown to or answered by the person

Seconds count from the opening of the transcript. Every line is with the system when it has
been written, so that what is there after a crash is what happened. Text from outside is made
visible, and ``Record.text`` is made from that again: it round-trips.
"""

from __future__ import annotations

import re
import threading
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from tuner.errors import BadFile, BenchFault
from tuner.messages import Clock, Line
from tuner.text import as_it_was, clipped, shown

__all__ = ["Record", "Sort", "Transcript", "parse"]


class Sort(StrEnum):
    """What a line of a transcript records, by its sign."""

    SENT = ">"
    RECEIVED = "<"
    EVENT = "!"
    PERSON = "~"


@dataclass(frozen=True)
class Record:
    """One line of a transcript; `number` counts lines of the file from 1."""

    number: int
    seconds: float
    sort: Sort
    text: str


class Transcript:
    """A transcript being written. Safe for several threads."""

    def __init__(self, path: Path, clock: Clock) -> None:
        """Open `path` to append; raises ``BenchFault`` when it cannot be written."""
        self.path = path
        self._clock = clock
        self._started_s = clock.now_s()
        self._lock = threading.RLock()
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            # Not buffered: a line is one call of the system, there after a crash, and whole even
            # where a signal's handler writes another one in the middle of it.
            self._file = path.open("ab", buffering=0)
        except OSError as error:
            raise self._not_written(error) from error

    def sent(self, line: str) -> None:
        """Record a line that leaves for the controller."""
        self._write(Sort.SENT, shown(line))

    def received(self, line: str) -> None:
        """Record a line from the controller, as decoded."""
        self._write(Sort.RECEIVED, shown(line))

    def event(self, text: str) -> None:
        """Record something that happened to the port or the conversation."""
        self._write(Sort.EVENT, shown(text))

    def shown(self, line: Line) -> None:
        """Record what a person was shown."""
        self._write(Sort.PERSON, shown(line.plain()))

    def answered(self, text: str) -> None:
        """Record what a person answered."""
        self._write(Sort.PERSON, f"ANSWER {shown(text)}")

    def close(self) -> None:
        """Close the file; raises ``BenchFault`` when its end could not be written."""
        try:
            self._file.close()
        except OSError as error:
            raise self._not_written(error) from error

    def _write(self, sort: Sort, text: str) -> None:
        with self._lock:
            seconds = self._clock.now_s() - self._started_s
            line = f"{seconds:.3f} {sort} {text}\n".encode()
            try:
                while line:  # a disk that is filling up may take a part of it
                    line = line[self._file.write(line) :]
            except (OSError, ValueError) as error:  # ValueError: written after close
                raise self._not_written(error) from error

    def _not_written(self, error: Exception) -> BenchFault:
        return BenchFault(
            f"the transcript {shown(str(self.path))} cannot be written: {shown(str(error))}; "
            "make room or choose another folder with --home"
        )


_LINE = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,6})?) ([><!~])(?: (.*))?")


def parse(path: Path) -> list[Record]:
    """Return the records of the transcript `path`, in order.

    Raises ``BadFile`` when it cannot be read, or with every line that is no record.
    """
    name = shown(str(path))
    try:
        lines = path.read_text(encoding="utf-8").split("\n")
    except OSError as error:
        raise BadFile([f"{name}: cannot be read: {shown(str(error))}"]) from error
    except UnicodeDecodeError as error:
        raise BadFile([f"{name}: is not UTF-8 text; expected a transcript"]) from error
    records: list[Record] = []
    findings = []
    for number, line in enumerate(lines, 1):
        if not line.strip() or line.startswith("#"):
            continue
        match = _LINE.fullmatch(line)
        if match:
            seconds, sign, text = match.groups()
            records.append(Record(number, float(seconds), Sort(sign), as_it_was(text or "")))
        else:
            findings.append(
                f"{name}: line {number}: '{clipped(shown(line), 60)}' is no record; expected "
                "'seconds > text', or <, ! or ~ in place of >, or a # comment"
            )
    if findings:
        raise BadFile(findings)
    return records
