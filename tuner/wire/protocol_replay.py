"""``replay://FILE``: a port that plays a transcript, strictly.

The rule: what is written must be, line by line, what the transcript says was sent, after all
that was received before it; anything else is an error that shows both. Time is virtual and
follows the transcript: a blocking read moves it, an event or something shown to a person
moves it to when that was, and nothing sleeps. An event that starts with ``lost`` takes the
port away. At the end nothing may be left over.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import serial

from tuner.errors import Defect
from tuner.text import shown
from tuner.wire.transcript import Record, Sort, parse

__all__ = ["NotInTranscript", "Serial", "VirtualClock"]

_SCHEME = "replay://"


class NotInTranscript(Defect):
    """The conversation went another way than the transcript that is being replayed."""


class VirtualClock:
    """A clock that stands still until it is moved."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def now_s(self) -> float:
        """Seconds since the port was made."""
        return self._now_s

    def advance(self, seconds: float) -> None:
        """Let `seconds` pass."""
        self._now_s += seconds

    def advance_to(self, then_s: float) -> None:
        """Let time pass until `then_s`, if that is still to come."""
        self._now_s = max(self._now_s, then_s)


class Serial(serial.SerialBase):
    """The replaying end, as the serial library wants it."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.clock = VirtualClock()
        self._records: list[Record] = []
        self._next = 0
        self._due = bytearray()
        self._partial = b""
        self._is_astray = False
        super().__init__(*args, **kwargs)

    def open(self) -> None:
        """Read the transcript; raises ``BadFile`` when it is none."""
        self._records = parse(Path(str(self.port)[len(_SCHEME) :]))
        self.is_open = True

    def close(self) -> None:
        """End the replay; raises ``NotInTranscript`` when something of it is left over."""
        if not self.is_open:
            return
        self.is_open = False
        self._pass_events()
        if self._next < len(self._records) and not self._is_astray:
            record = self._records[self._next]
            raise self._astray("the end of the conversation", record)

    @property
    def in_waiting(self) -> int:
        """How many bytes have arrived by now."""
        self._require_open()
        self._arrive()
        return len(self._due)

    def read(self, size: int = 1, /) -> bytes:
        """Return up to `size` bytes; blocks, in virtual time, for the first one only."""
        until_s = self.clock.now_s() + (self.timeout or 0.0)
        if size and not self.in_waiting:
            self._let_pass(until_s)
            self._arrive()
        data = bytes(self._due[:size])
        del self._due[:size]
        return data

    def write(self, data: Any, /) -> int:
        """Hold every whole line in `data` against the transcript."""
        self._require_open()
        *lines, self._partial = (self._partial + bytes(data)).split(b"\n")
        for line in lines:
            self._hold_against(line.decode("utf-8", "surrogateescape"))
        return len(data)

    def cancel_read(self) -> None:
        """Nothing to wake: a read takes no real time."""

    def _reconfigure_port(self) -> None:
        """Nothing to set up: the library calls this when a timeout changes."""

    def _require_open(self) -> None:
        if not self.is_open:
            raise serial.PortNotOpenError

    def _hold_against(self, line: str) -> None:
        self._pass_events()
        record = self._records[self._next] if self._next < len(self._records) else None
        if record is None or record.sort is not Sort.SENT or record.text != line:
            raise self._astray(f"'{shown(line)}' was sent", record)
        self._next += 1
        self.clock.advance_to(record.seconds)

    def _astray(self, happened: str, record: Record | None) -> NotInTranscript:
        self._is_astray = True
        expected = "the end of the conversation"
        if record is not None:
            expected = f"'{record.sort.value} {shown(record.text)}' (line {record.number})"
        return NotInTranscript(
            f"{shown(str(self.port))}: {happened}, expected {expected}; correct the program or "
            "record the conversation again"
        )

    def _let_pass(self, until_s: float) -> None:
        if self._is_next(Sort.RECEIVED):
            until_s = min(until_s, max(self.clock.now_s(), self._records[self._next].seconds))
        self.clock.advance_to(until_s)

    def _arrive(self) -> None:
        if not self._due:
            # Not earlier: what was heard before an event must not be late because of it.
            self._pass_events()
        while self._is_next(Sort.RECEIVED):
            record = self._records[self._next]
            if record.seconds > self.clock.now_s():
                return
            self._due += record.text.encode("utf-8", "surrogateescape") + b"\n"
            self._next += 1

    def _pass_events(self) -> None:
        while self._is_next(Sort.EVENT) or self._is_next(Sort.PERSON):
            record = self._records[self._next]
            self._next += 1
            self.clock.advance_to(record.seconds)
            if record.sort is Sort.EVENT and record.text.startswith("lost"):
                raise serial.SerialException("the transcript loses its port here")

    def _is_next(self, sort: Sort) -> bool:
        return self._next < len(self._records) and self._records[self._next].sort is sort
