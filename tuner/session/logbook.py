"""The logbook: everything that happened, in one SQLite file that only grows.

An intent is committed before its line is sent, a reading before the next prompt appears
(``synchronous=FULL``). A step can never be changed or deleted, not even by accident: the
database itself refuses. Card and dialect are stored verbatim with every session.
"""

from __future__ import annotations

import json
import re
import sqlite3
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tuner.errors import BenchFault
from tuner.messages import Clock
from tuner.text import shown

APPLICATION_ID = 0x54554E45  # "TUNE"
SCHEMA_VERSION = 1

_SCHEMA = """
CREATE TABLE session(
    id TEXT PRIMARY KEY, started_at TEXT, machine TEXT, card TEXT, dialect TEXT, port TEXT,
    plan TEXT, plan_version INTEGER, params TEXT, tool_version TEXT,
    ended_at TEXT, ended_as TEXT, summary TEXT);
CREATE TABLE step(
    session TEXT REFERENCES session(id), n INTEGER, run INTEGER, at_utc TEXT, at_s REAL,
    phase TEXT CHECK (phase IN ('intent','caution','consent','sent','reply','lost','note')),
    kind TEXT, key TEXT, body TEXT, PRIMARY KEY (session, n)) WITHOUT ROWID;
CREATE TRIGGER step_is_kept BEFORE DELETE ON step
    BEGIN SELECT RAISE(ABORT, 'steps are never deleted'); END;
CREATE TRIGGER step_is_final BEFORE UPDATE ON step
    BEGIN SELECT RAISE(ABORT, 'steps are never changed'); END;
-- What REPLACE deletes does not fire the trigger on DELETE.
CREATE TRIGGER step_is_not_replaced BEFORE INSERT ON step
    WHEN EXISTS (SELECT 1 FROM step WHERE session = NEW.session AND n = NEW.n)
    BEGIN SELECT RAISE(ABORT, 'steps are never changed'); END;
CREATE TABLE proposal(
    id TEXT PRIMARY KEY, session TEXT REFERENCES session(id), axis TEXT, path TEXT,
    sha256 TEXT, state TEXT, closed_by TEXT);
CREATE VIEW reading AS
    SELECT asked.session AS session, asked.n AS n, asked.key AS key,
           json_extract(asked.body, '$.axis') AS axis,
           json_extract(asked.body, '$.at_mm') AS commanded_mm,
           json_extract(asked.body, '$.approach') AS approach,
           json_extract(answer.body, '$.value') AS reading_mm,
           answer.at_s AS time_s
    FROM step AS asked JOIN step AS answer
      ON answer.session = asked.session
     AND answer.n = (SELECT min(n) FROM step
                     WHERE session = asked.session AND n > asked.n AND phase = 'reply')
    WHERE asked.phase = 'intent' AND asked.kind = 'Ask' AND answer.kind = 'Value'
      AND json_extract(asked.body, '$.n') > 0;
"""


_SERIAL_NUMBER = re.compile(r" \(serial number (.+)\)$")


def port_in_words(url: str, serial_number: str | None) -> str:
    """Return the port of a session as the logbook keeps it; names change, serial numbers stay."""
    return f"{url} (serial number {serial_number})" if serial_number else url


def utc_now() -> datetime:
    """Return the time of day, for people and file names; never used for deciding."""
    return datetime.now(UTC)


@dataclass(frozen=True)
class SessionHead:
    """What a session was started with; `params` is JSON-ready."""

    id: str
    machine: str
    card: str
    dialect: str
    port: str
    plan: str
    plan_version: int
    params: Mapping[str, Any]
    tool_version: str


@dataclass(frozen=True)
class Step:
    """One record of a session, in the order in which it was written."""

    n: int
    at_s: float
    phase: str
    kind: str
    key: str
    body: Any


class SessionLog:
    """Writes the steps of one session; safe to use from the worker and the stop key."""

    def __init__(self, database: sqlite3.Connection, session: str, clock: Clock) -> None:
        self._database = database
        self._clock = clock
        self._lock = threading.Lock()
        self._n = 0
        self.session = session

    def step(self, phase: str, kind: str, key: str, body: Any = None) -> None:
        """Write one step and commit it to disk before returning."""
        text = json.dumps(body, allow_nan=False, sort_keys=True)
        with self._lock, _disk_trouble(), self._database:
            self._n += 1
            self._database.execute(
                "INSERT INTO step VALUES (?, ?, 1, ?, ?, ?, ?, ?, ?)",
                (
                    self.session,
                    self._n,
                    utc_now().isoformat(timespec="milliseconds"),
                    round(self._clock.now_s(), 3),
                    phase,
                    kind,
                    key,
                    text,
                ),
            )

    def end(self, ended_as: str, summary: Any) -> None:
        """Record how the session ended and what it found."""
        with self._lock, _disk_trouble(), self._database:
            self._database.execute(
                "UPDATE session SET ended_at = ?, ended_as = ?, summary = ? WHERE id = ?",
                (
                    utc_now().isoformat(timespec="seconds"),
                    ended_as,
                    json.dumps(summary, allow_nan=False, sort_keys=True),
                    self.session,
                ),
            )

    def proposal(self, identifier: str, axis: str, path: Path, sha256: str) -> None:
        """Record that a proposal was written and is open; its path as ``shown`` makes it."""
        with self._lock, _disk_trouble(), self._database:
            self._database.execute(
                "INSERT INTO proposal VALUES (?, ?, ?, ?, ?, 'open', NULL)",
                (identifier, self.session, axis, shown(str(path)), sha256),
            )


class Logbook:
    """One logbook file; opened by the thread that will write sessions into it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with _disk_trouble(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            self._database = sqlite3.connect(path, timeout=10.0, check_same_thread=False)
        try:
            with _disk_trouble(path):
                self._prepare()
        except BaseException:
            self._database.close()
            raise

    def _prepare(self) -> None:
        if not self._is_new():
            self._refuse_unless_ours()  # before anything in it is changed
        self._database.execute("PRAGMA journal_mode = WAL")
        self._database.execute("PRAGMA synchronous = FULL")
        self._database.execute("PRAGMA foreign_keys = ON")
        with self._database:
            self._database.execute("BEGIN IMMEDIATE")
            if self._is_new():  # another process may have been faster
                for statement in _statements(_SCHEMA):
                    self._database.execute(statement)
                self._database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                self._database.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")

    def _is_new(self) -> bool:
        tables = self._database.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        return not (tables or self._pragma("application_id") or self._pragma("user_version"))

    def _refuse_unless_ours(self) -> None:
        if self._pragma("application_id") != APPLICATION_ID:
            raise BenchFault(
                f"{shown(str(self.path))} is a database of another program; choose another "
                "folder with --home"
            )
        version = self._pragma("user_version")
        if version != SCHEMA_VERSION:
            raise BenchFault(
                f"{shown(str(self.path))} was written by a newer version (schema {version}, this "
                f"program knows {SCHEMA_VERSION}); update this program, or use another --home"
            )

    def _pragma(self, name: str) -> int:
        return int(self._database.execute(f"PRAGMA {name}").fetchone()[0])

    def begin(self, head: SessionHead, clock: Clock) -> SessionLog:
        """Start a session and return its log."""
        with _disk_trouble(self.path), self._database:
            self._database.execute(
                "INSERT INTO session VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, NULL, NULL, NULL)",
                (
                    head.id,
                    utc_now().isoformat(timespec="seconds"),
                    head.machine,
                    head.card,
                    head.dialect,
                    head.port,
                    head.plan,
                    head.plan_version,
                    json.dumps(dict(head.params), sort_keys=True),
                    head.tool_version,
                ),
            )
        return SessionLog(self._database, head.id, clock)

    def free_identifier(self, wanted: str) -> str:
        """Return `wanted`, or with -2, -3 … when a session has that name already."""
        candidate, number = wanted, 1
        while self._database.execute("SELECT 1 FROM session WHERE id = ?", (candidate,)).fetchone():
            number += 1
            candidate = f"{wanted}-{number}"
        return candidate

    def last_serial_number(self, machine: str) -> str | None:
        """Return the serial number of the port last used for `machine`, None if none is known."""
        rows = self._database.execute(
            "SELECT port FROM session WHERE machine = ? ORDER BY started_at DESC, rowid DESC",
            (machine,),
        )
        found = (_SERIAL_NUMBER.search(row[0] or "") for row in rows)
        return next((match[1] for match in found if match), None)

    def sessions(self) -> list[str]:
        """Return the identifiers of all sessions, oldest first."""
        rows = self._database.execute("SELECT id FROM session ORDER BY started_at, id")
        return [row[0] for row in rows]

    def head(self, session: str) -> SessionHead:
        """Return what `session` was started with; ``KeyError`` when there is none."""
        row = self._database.execute(
            "SELECT id, machine, card, dialect, port, plan, plan_version, params, tool_version "
            "FROM session WHERE id = ?",
            (session,),
        ).fetchone()
        if row is None:
            raise KeyError(session)
        identifier, machine, card, dialect, port, plan, version, params, tool = row
        return SessionHead(
            identifier, machine, card, dialect, port, plan, version, json.loads(params), tool
        )

    def ending(self, session: str) -> tuple[str | None, Any]:
        """Return how `session` ended and its summary; (None, None) while it is open."""
        row = self._database.execute(
            "SELECT ended_as, summary FROM session WHERE id = ?", (session,)
        ).fetchone()
        if row is None:
            raise KeyError(session)
        return row[0], None if row[1] is None else json.loads(row[1])

    def steps(self, session: str) -> list[Step]:
        """Return every step of `session` in order."""
        rows = self._database.execute(
            "SELECT n, at_s, phase, kind, key, body FROM step WHERE session = ? ORDER BY n",
            (session,),
        )
        return [
            Step(n, at_s, phase, kind, key, json.loads(body))
            for n, at_s, phase, kind, key, body in rows
        ]

    def close(self) -> None:
        """Close the file."""
        self._database.close()


def _statements(script: str) -> Iterator[str]:
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


@contextmanager
def _disk_trouble(path: Path | None = None) -> Iterator[None]:
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        where = f" {shown(str(path))}" if path else ""
        raise BenchFault(
            f"the logbook{where} cannot be written or read ({shown(str(error))}); check that the "
            "folder exists, is yours and has free space, or choose another with --home"
        ) from error
