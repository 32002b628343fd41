"""Disks that fail: every statement to SQLite is counted, and from a chosen one on they fail.

The rule: a fault comes before its statement was carried out, or after, when only the answer is
lost, as with a failed fsync; it lasts for one statement, or for good, as on a full disk.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import pytest

_CONNECT = sqlite3.connect
# What reads no page and writes none: a fault there would be one of our own making.
_IN_MEMORY = ("ROLLBACK", "PRAGMA query_only", "PRAGMA foreign_keys")


@dataclass
class Disk:
    """Counts statements; number `fails_at` fails, and with `for_good` all after it."""

    fails_at: int = 0
    after: bool = False
    for_good: bool = False
    statements: int = 0

    def comes_to(self) -> bool:
        """Count one more statement and return whether it fails."""
        self.statements += 1
        if not self.fails_at:
            return False
        if self.for_good:
            return self.statements >= self.fails_at
        return self.statements == self.fails_at


def _failure() -> sqlite3.OperationalError:
    error = sqlite3.OperationalError("disk I/O error")
    error.sqlite_errorcode = sqlite3.SQLITE_IOERR_FSYNC
    error.sqlite_errorname = "SQLITE_IOERR_FSYNC"
    return error


@contextmanager
def failing(monkeypatch: pytest.MonkeyPatch, disk: Disk) -> Iterator[None]:
    """Let every database opened in this block stand on `disk`."""

    class Connection(sqlite3.Connection):
        def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
            fails = not sql.startswith(_IN_MEMORY) and disk.comes_to()
            if fails and not disk.after:
                raise _failure()
            cursor = super().execute(sql, *values)
            if fails:
                raise _failure()
            return cursor

    def connect(path: Any, **options: Any) -> sqlite3.Connection:
        if path == ":memory:":
            return _CONNECT(path, **options)
        return _CONNECT(path, factory=Connection, **options)

    with monkeypatch.context() as patch:
        patch.setattr(sqlite3, "connect", connect)
        yield
