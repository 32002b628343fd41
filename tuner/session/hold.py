"""One writer for one session, across processes: a hold that dies with its process.

The hold is an exclusive SQLite transaction on an empty file beside the logbook. The operating
system lets go of it when the process ends, however it ends; the file that a killed process
leaves behind holds nothing and is taken over by the next writer.
"""

from __future__ import annotations

import re
import sqlite3
from contextlib import suppress
from pathlib import Path

from tuner.errors import BenchFault
from tuner.text import shown

__all__ = ["Hold", "Mending", "held"]

_PREFIX = "writing-"
# A session is named by this program; whoever else named one does not choose where files go.
_UNUSUAL = re.compile(r"[^A-Za-z0-9._-]")
_LONGEST_NAME = 100


class _Held:
    """An exclusive transaction on `path`, or `busy` raised where another process has it."""

    def __init__(self, path: Path, busy: str) -> None:
        self._path = path
        self._file = sqlite3.connect(
            path, timeout=0.0, isolation_level=None, check_same_thread=False
        )
        try:
            self._file.execute("PRAGMA journal_mode = OFF")  # nothing is ever written into it
            self._file.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as error:
            self._file.close()
            if getattr(error, "sqlite_errorcode", None) != sqlite3.SQLITE_BUSY:
                raise
            raise BenchFault(busy) from None
        self._is_held = True

    def close(self) -> None:
        """Let another process have it; a second call does nothing."""
        if self._is_held:
            self._is_held = False
            # First the name, while it is still held; a name that stays behind holds nothing.
            with suppress(OSError):
                self._path.unlink()
            self._file.close()


class Hold(_Held):
    """One session of a logbook to write; ``BenchFault`` when another process has it."""

    def __init__(self, logbook: Path, session: str) -> None:
        name = _UNUSUAL.sub("_", session)[:_LONGEST_NAME]
        super().__init__(
            logbook.with_name(f"{_PREFIX}{name}"),
            f"session {shown(session)} is being written by another window or program; go on "
            "there, or end it first",
        )


class Mending(_Held):
    """A damaged logbook to put aside; ``BenchFault`` when another process is at it."""

    def __init__(self, logbook: Path) -> None:
        super().__init__(
            logbook.with_name(f"mending-{logbook.name}"),
            f"the logbook {shown(str(logbook))} is damaged, and another window is putting it "
            "aside; try again in a moment",
        )


def held(logbook: Path) -> list[str]:
    """Return the sessions beside `logbook` that a living process is writing."""
    found = []
    for path in sorted(logbook.parent.glob(f"{_PREFIX}*")):
        session = path.name.removeprefix(_PREFIX)
        try:
            Hold(logbook, session).close()
        except BenchFault:
            found.append(session)
    return found
