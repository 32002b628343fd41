"""The logbook: everything that happened, in one SQLite file that only grows.

An intent is committed before its line is sent, a reading before the next prompt appears
(``synchronous=FULL``). A step can never be changed or deleted, not even by accident: the
database itself refuses. Card and dialect are stored verbatim with every session.
"""

from __future__ import annotations

import json
import os
import re
import sqlite3
import threading
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tuner.errors import BenchFault, Defect, InputFault
from tuner.messages import Clock
from tuner.session.damage import (
    broken_page,
    carry_over,
    forbids_writing,
    is_damage,
    put_aside,
    what_is_wrong,
)
from tuner.session.hold import Hold, Mending
from tuner.session.schema import (
    APPLICATION_ID,
    VERSION,
    bring_up_to_date,
    last_step,
    schema_as_made,
    schema_of,
    seal_proposal,
    seal_session,
)
from tuner.session.sealed import LISTED, PROPOSAL, SESSION, STEP, seal_of, unbroken
from tuner.text import as_it_was, shown

PROPOSAL_STATES = (
    "open",
    "applied",
    "confirmed",
    "not-applied",
    "applied-wrongly",
    "rejected",
    "replaced",
)

# Looked at in about a second before a session, which takes many minutes.
_LARGEST_CHECKED_BYTES = 32 << 20
# How every SQLite file begins; a file of some bytes without it counts as an empty one there.
_MAGIC = b"SQLite format 3\0"
# What a list shows besides axes and verdicts; a file of before it was kept may lack it.
_ALSO_LISTED = ("kind", "job", "outcome", "simulated")
_SERIAL_NUMBER = re.compile(r" \(serial number (.+)\)$")


def port_in_words(url: str, serial_number: str | None) -> str:
    """Return the port of a session as the logbook keeps it; names change, serial numbers stay."""
    return f"{url} (serial number {serial_number})" if serial_number else url


def url_in_words(words: str) -> str:
    """Return the address in what ``port_in_words`` made of one that was ``shown``."""
    return as_it_was(_SERIAL_NUMBER.sub("", words))


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
    """One record of a session, in the order in which it was written.

    `run` counts from 1 how often the session was taken up; `at_utc` is for people.
    """

    n: int
    at_s: float
    phase: str
    kind: str
    key: str
    body: Any
    run: int = 1
    at_utc: str = field(default="", compare=False)


@dataclass(frozen=True)
class SessionSummary:
    """What a list of sessions shows of one; `verdicts` by axis, `ended_as` None while it is open
    or when it was killed.

    `kind` is ``measure``, ``quick``, or the name of another plan; `job` the number of its job, if
    any; `outcome` what became of the change that it checked; `simulated` says that it was not at
    a real machine.
    """

    id: str
    started_at: str
    machine: str
    axes: tuple[str, ...]
    verdicts: Mapping[str, str]
    ended_at: str | None
    ended_as: str | None
    kind: str = ""
    job: str = ""
    outcome: str = ""
    simulated: bool = False


@dataclass(frozen=True)
class TakenReading:
    """A reading as it was answered, lengths in mm; `n` is its step, `number` counts by axis.

    A spacer block of `block_mm` is not in `reading_mm`; `seat` counts seatings of the caliper at
    one place. `withdrawn` says that it was undone, or replaced by a later one that did not come out
    the same.
    """

    n: int
    key: str
    axis: str
    number: int
    commanded_mm: float
    approach: str
    reading_mm: float
    block_mm: float
    seat: int
    visit: int
    time_s: float
    withdrawn: bool


@dataclass(frozen=True)
class ProposalState:
    """A proposal that was written, and what became of it: `state` is ``open`` at first."""

    id: str
    session: str
    axis: str
    path: str
    sha256: str
    state: str
    closed_by: str | None


class SessionLog:
    """Writes the steps of one session; safe to use from the worker and the stop key."""

    def __init__(self, book: Logbook, session: str, clock: Clock, hold: Hold, run: int) -> None:
        self._book = book
        self._clock = clock
        self._hold = hold
        self.run = run
        self._lock = threading.Lock()
        self._has_ended = False
        self._n, self._seal = last_step(book._database, session)
        self.session = session

    def step(self, phase: str, kind: str, key: str, body: Any = None) -> None:
        """Write one step and commit it to disk before returning.

        Raises ``BenchFault`` when it is not on the disk for certain; later steps may follow.
        """
        with self._lock:
            row = self._next(phase, kind, key, body)
            with self._book._writing() as database:
                database.execute(_insert("step", STEP), row)
            self._n, self._seal = row[1], row[-1]

    def _next(self, phase: str, kind: str, key: str, body: Any) -> tuple[Any, ...]:
        """Return the row of the next step, its seal last."""
        if self._has_ended:
            raise Defect(f"session {self.session} has ended, and a step was to be written")
        row = (
            self.session,
            self._n + 1,
            self.run,
            utc_now().isoformat(timespec="milliseconds"),
            round(self._clock.now_s(), 3),
            phase,
            kind,
            key,
            json.dumps(body, allow_nan=False, sort_keys=True),
        )
        return (*row, seal_of(row, self._seal))

    def _open_again(self, ended_at: str, ended_as: str, summary: Any) -> None:
        """Make of how the session ended a step, so that it has not ended any more."""
        body = {"ended_at": ended_at, "ended_as": ended_as, "summary": summary}
        with self._lock:
            row = self._next("note", "ended", "ended", body)
            with self._book._writing() as database:
                database.execute(_insert("step", STEP), row)
                database.execute(
                    "UPDATE session SET ended_at = NULL, ended_as = NULL, summary = NULL "
                    "WHERE id = ?",
                    (self.session,),
                )
                seal_session(database, self.session)
            self._n, self._seal = row[1], row[-1]

    def end(self, ended_as: str, summary: Any) -> None:
        """Record how the session ended and what it found, and let go of it."""
        text = json.dumps(summary, allow_nan=False, sort_keys=True)
        with self._book._writing() as database:
            database.execute(
                "UPDATE session SET ended_at = ?, ended_as = ?, summary = ? WHERE id = ?",
                (utc_now().isoformat(timespec="seconds"), ended_as, text, self.session),
            )
            seal_session(database, self.session)
        self._has_ended = True
        self.close()

    def close(self) -> None:
        """Let another writer take the session up."""
        self._hold.close()

    def proposal(self, identifier: str, axis: str, path: Path, sha256: str) -> None:
        """Record that a proposal was written and is open; its path as ``shown`` makes it."""
        with self._book._writing() as database:
            row = (identifier, self.session, axis, shown(str(path)), sha256, "open", None)
            database.execute(_insert("proposal", PROPOSAL), (*row, seal_of(row)))


class Logbook:
    """One logbook file; opened by the thread that will write sessions into it.

    `set_aside` says in words that a damaged file was put aside for a new one, or is None.
    `is_newer` says that a newer version wrote the file: then it is only read.
    """

    def __init__(
        self,
        path: Path,
        *,
        largest_checked_bytes: float = _LARGEST_CHECKED_BYTES,
        check_pages: bool = True,
    ) -> None:
        """Open the logbook at `path`, or begin one.

        In a file up to `largest_checked_bytes` every record is looked at; in a larger one the
        pages are, where `check_pages` says so, and each record when it is read. A damaged file is
        kept under another name, and what is whole in it carried over into a new one. Raises
        ``BenchFault`` when the file belongs to another program, or is damaged while a session is
        being written into it, or the disk does not allow it.
        """
        self.path = path
        self.set_aside: str | None = None
        self._lock = threading.RLock()
        self.is_newer = False
        self._holds: list[Hold] = []
        with disk_trouble(path):
            path.parent.mkdir(parents=True, exist_ok=True)
        self._open()
        try:
            if self._damage(largest_checked_bytes, check_pages) is not None:
                self._begin_anew(largest_checked_bytes, check_pages)
            if not self.is_newer:
                self._make_ready()
        except BaseException:
            self._database.close()
            raise

    def _open(self) -> None:
        with disk_trouble(self.path):
            self._database = sqlite3.connect(
                self.path, timeout=10.0, isolation_level=None, check_same_thread=False
            )

    def _make_ready(self) -> None:
        with disk_trouble(self.path):
            self._write_ahead()
            self._database.execute("PRAGMA synchronous = FULL")
            self._database.execute("PRAGMA foreign_keys = ON")
            if self._pragma("user_version") < VERSION:
                with self._writing() as database:  # another process may have been faster
                    bring_up_to_date(database, self._pragma("user_version"))

    def _write_ahead(self) -> None:
        """Turn the write-ahead log on, for which SQLite does not wait while another writes."""
        while True:
            try:
                self._database.execute("PRAGMA journal_mode = WAL")
                return
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
                    raise
            self._database.execute("BEGIN EXCLUSIVE")  # for this it does, up to its timeout
            self._database.execute("ROLLBACK")

    def _damage(self, largest_checked_bytes: float, check_pages: bool) -> str | None:
        """Return in words what is damaged in the file, None when nothing is."""
        try:
            with disk_trouble(self.path):
                # All at one moment: another process may be writing.
                self._database.execute("BEGIN")
                damage = self._damage_now(largest_checked_bytes, check_pages)
                self._database.execute("ROLLBACK")
                if damage is None and self._cannot_be_written():
                    damage = "its header forbids writing"
        except BenchFault as fault:
            if is_damage(fault.__cause__):
                return shown(str(fault.__cause__))
            raise
        return damage

    def _damage_now(self, largest_checked_bytes: float, check_pages: bool) -> str | None:
        schema, version = schema_of(self._database), self._pragma("user_version")
        is_ours = self._pragma("application_id") == APPLICATION_ID
        if schema == schema_as_made():
            if not is_ours or version != VERSION:
                return "its header does not say what it is"
            if self.path.stat().st_size <= largest_checked_bytes:
                return what_is_wrong(self._database)
            return broken_page(self._database) if check_pages else None
        if not schema and not version and not self._pragma("application_id"):
            return self._why_empty()
        if not is_ours:
            raise BenchFault(
                f"{shown(str(self.path))} is a database of another program; choose another "
                "folder with --home"
            )
        self.is_newer = version > VERSION
        return "its tables are not as they were made" if version == VERSION else None

    def _cannot_be_written(self) -> bool:
        is_of_today = self._pragma("user_version") == VERSION
        may_be = is_of_today and os.access(self.path, os.W_OK)
        return may_be and forbids_writing(self._database)

    def _why_empty(self) -> str | None:
        """Return why a file without tables is none that was just begun, None when it is."""
        if not self.path.stat().st_size:
            # A session's transcript is made after its logbook.
            had_sessions = any((self.path.parent / "wire").glob("*.txt"))
            return "it is empty, and there are transcripts of sessions" if had_sessions else None
        with self.path.open("rb") as file:
            return None if file.read(len(_MAGIC)) == _MAGIC else "it is no database"

    def _begin_anew(self, largest_checked_bytes: float, check_pages: bool) -> None:
        """Put the damaged file aside for a new one, unless another process was faster."""
        self._database.close()
        with disk_trouble(self.path), closing(Mending(self.path)):
            self._open()
            damage = self._damage(largest_checked_bytes, check_pages)
            if damage is None:
                return
            self._database.close()
            aside = put_aside(self.path, utc_now(), damage)
            self._open()
            self._make_ready()
            with self._writing() as database:
                carried = carry_over(aside, database)
        self.set_aside = (
            f"the logbook was damaged ({damage}). It is kept as {shown(aside.name)}, and a new one "
            f"was begun. {carried.in_words()}"
        )

    def _pragma(self, name: str) -> int:
        return int(self._database.execute(f"PRAGMA {name}").fetchone()[0])

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction, on disk when this ends; ``BenchFault`` and nothing of it when not."""
        if self.is_newer:
            raise self._read_only()
        with self._lock, disk_trouble(self.path):
            self._database.execute("BEGIN IMMEDIATE")
            try:
                yield self._database
                self._database.execute("COMMIT")
            finally:
                if self._database.in_transaction:
                    self._database.execute("ROLLBACK")

    def _read_only(self) -> BenchFault:
        return BenchFault(
            f"{shown(str(self.path))} was written by a newer version (schema "
            f"{self._pragma('user_version')}, this program knows {VERSION}), so it can be read but "
            "not added to; update this program, or use another --home"
        )

    def _hold(self, session: str) -> Hold:
        with disk_trouble(self.path):
            hold = Hold(self.path, session)
        self._holds.append(hold)
        return hold

    # --- writing ------------------------------------------------------------------------------

    def begin(self, head: SessionHead, clock: Clock) -> SessionLog:
        """Start a session and return its log; only one writer has it until that is closed."""
        hold = self._hold(head.id)
        try:
            with self._writing() as database:
                row = (
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
                )
                database.execute(
                    f"INSERT INTO session({', '.join(SESSION[: len(row)])}) "
                    f"VALUES ({', '.join('?' * len(row))})",
                    row,
                )
                seal_session(database, head.id)
            with disk_trouble(self.path):
                return SessionLog(self, head.id, clock, hold, 1)
        except BaseException:
            hold.close()
            raise

    def take_up(self, session: str, clock: Clock) -> SessionLog:
        """Go on with `session`: its steps go on counting, the run is the next one.

        How it ended before becomes a step, so that nothing of it is lost. Raises ``InputFault``
        for a session that is not there and ``BenchFault`` where another process is writing it.
        """
        if self.is_newer:
            raise self._read_only()
        hold = self._hold(session)
        try:
            row = self._row(session)
            with disk_trouble(self.path):
                (run,) = self._database.execute(
                    "SELECT max(run) FROM step WHERE session = ?", (session,)
                ).fetchone()
                log = SessionLog(self, session, clock, hold, (run or 0) + 1)
            if row["ended_as"] is not None:
                log._open_again(row["ended_at"], row["ended_as"], json.loads(row["summary"]))
            return log
        except BaseException:
            hold.close()
            raise

    def close_proposal(self, identifier: str, state: str, closed_by: str) -> None:
        """Record what became of a proposal: its new `state`, and the session or person behind it.

        `state` is one of ``PROPOSAL_STATES``. Raises ``InputFault`` for a proposal that is not
        there.
        """
        if state not in PROPOSAL_STATES:
            raise Defect(f"'{state}' is no state of a proposal")
        with self._writing() as database:
            changed = database.execute(
                "UPDATE proposal SET state = ?, closed_by = ? WHERE id = ?",
                (state, closed_by, identifier),
            )
            if not changed.rowcount:
                raise InputFault(
                    f"there is no proposal {shown(identifier)} in the logbook; tuner log SESSION "
                    "names those of a session"
                )
            seal_proposal(database, identifier)

    def free_identifier(self, wanted: str) -> str:
        """Return `wanted`, or with -2, -3 … when a session has that name already."""
        candidate, number = wanted, 1
        taken = "SELECT 1 FROM session WHERE id = ?"
        with disk_trouble(self.path):
            while self._database.execute(taken, (candidate,)).fetchone():
                number += 1
                candidate = f"{wanted}-{number}"
        return candidate

    # --- reading ------------------------------------------------------------------------------

    def last_serial_number(self, machine: str) -> str | None:
        """Return the serial number of the port last used for `machine`, None if none is known."""
        with disk_trouble(self.path):
            rows = self._database.execute(
                "SELECT port FROM session WHERE machine = ? ORDER BY started_at DESC, rowid DESC",
                (machine,),
            ).fetchall()
        found = (_SERIAL_NUMBER.search(row[0] or "") for row in rows)
        return next((match[1] for match in found if match), None)

    def sessions(self) -> list[str]:
        """Return the identifiers of all sessions, oldest first."""
        with disk_trouble(self.path):
            rows = self._database.execute("SELECT id FROM session ORDER BY started_at, id")
            return [row[0] for row in rows]

    def find(self, name: str) -> str:
        """Return the session that `name` means: it itself, its beginning, or ``last``.

        Raises ``InputFault`` where there is none, or several.
        """
        with disk_trouble(self.path):
            if name == "last":
                query = "SELECT id FROM session ORDER BY started_at DESC, id DESC LIMIT 1"
                found = [row[0] for row in self._database.execute(query)]
            else:
                query = "SELECT id FROM session WHERE substr(id, 1, ?) = ? ORDER BY id LIMIT 4"
                found = [row[0] for row in self._database.execute(query, (len(name), name))]
        if name in found or len(found) == 1:
            return name if name in found else found[0]
        if not found:
            raise _no_session(name)
        raise InputFault(
            f"several sessions begin with {shown(name)}: {', '.join(map(shown, found[:3]))}"
            f"{' and more' if len(found) > 3 else ''}; give more of the name"
        )

    def summaries(self) -> list[SessionSummary]:
        """Return all sessions, the newest first, as a list shows them."""
        with disk_trouble(self.path):
            rows = self._database.execute(
                f"SELECT {', '.join(LISTED)}, brief_seal FROM session INDEXED BY session_listed "
                "ORDER BY started_at DESC, id DESC"
            ).fetchall()
        return [self._summary(*row) for row in rows]

    def summary(self, session: str) -> SessionSummary:
        """Return what a list of sessions shows of `session`; ``InputFault`` when there is none."""
        with disk_trouble(self.path):
            row = self._database.execute(
                f"SELECT {', '.join(LISTED)}, brief_seal FROM session WHERE id = ?", (session,)
            ).fetchone()
        if row is None:
            raise _no_session(session)
        return self._summary(*row)

    def unfinished(self) -> list[SessionSummary]:
        """Return the sessions that did not come to their end, the newest first."""
        return [one for one in self.summaries() if one.ended_as != "finished"]

    def _summary(self, *row: Any) -> SessionSummary:
        *values, seal = row
        self._check(seal == seal_of(values), values[0])
        identifier, started_at, machine, ended_at, ended_as, brief = values
        shows = json.loads(brief)
        return SessionSummary(
            identifier,
            started_at,
            machine,
            tuple(shows["axes"]),
            shows["verdicts"],
            ended_at,
            ended_as,
            **{name: shows[name] for name in _ALSO_LISTED if name in shows},
        )

    def _check(self, is_as_written: bool, session: str) -> None:
        # A newer version may seal more than this one knows of.
        if not (is_as_written or self.is_newer):
            raise BenchFault(
                f"what {shown(str(self.path))} holds of session {shown(str(session))} is not what "
                "was written: the file is damaged. tuner log --check sets it aside and keeps what "
                "is whole"
            )

    def _row(self, session: str) -> dict[str, Any]:
        with disk_trouble(self.path):
            row = self._database.execute(
                f"SELECT {', '.join(SESSION)}, seal FROM session WHERE id = ?", (session,)
            ).fetchone()
        if row is None:
            raise _no_session(session)
        self._check(row[-1] == seal_of(row[:-1]), session)
        return dict(zip(SESSION, row[:-1], strict=True))

    def head(self, session: str) -> SessionHead:
        """Return what `session` was started with; ``InputFault`` when there is none."""
        row = self._row(session)
        row["params"] = json.loads(row["params"])
        return SessionHead(**{one.name: row[one.name] for one in fields(SessionHead)})

    def ending(self, session: str) -> tuple[str | None, Any]:
        """Return how `session` ended and its summary; (None, None) while it is open."""
        row = self._row(session)
        return row["ended_as"], None if row["summary"] is None else json.loads(row["summary"])

    def steps(self, session: str) -> list[Step]:
        """Return every step of `session` in order."""
        with disk_trouble(self.path):
            rows = self._database.execute(
                f"SELECT {', '.join(STEP)}, seal FROM step WHERE session = ? ORDER BY n",
                (session,),
            ).fetchall()
        self._check(unbroken(rows) == len(rows), session)
        return [
            Step(n, at_s, phase, kind, key, json.loads(body), run, at_utc)
            for _, n, run, at_utc, at_s, phase, kind, key, body, _ in rows
        ]

    def readings(self, session: str) -> list[TakenReading]:
        """Return every reading of `session` in the order taken, those taken back included."""
        self.steps(session)  # they are what readings are made of
        names = [one.name for one in fields(TakenReading)]
        with disk_trouble(self.path):
            rows = self._database.execute(
                f"SELECT {', '.join(names)} FROM reading WHERE session = ? ORDER BY n", (session,)
            ).fetchall()
        taken = [TakenReading(*row) for row in rows]
        return [replace(one, withdrawn=bool(one.withdrawn)) for one in taken]

    def proposals(self, session: str) -> list[ProposalState]:
        """Return the proposals of `session`, the oldest first."""
        with disk_trouble(self.path):
            rows = self._database.execute(
                f"SELECT {', '.join(PROPOSAL)}, seal FROM proposal WHERE session = ? "
                "ORDER BY rowid",
                (session,),
            ).fetchall()
        for *values, seal in rows:
            self._check(seal == seal_of(values), session)
        return [ProposalState(*row[:-1]) for row in rows]

    def close(self) -> None:
        """Close the file, and let go of the sessions that were written."""
        for hold in self._holds:
            hold.close()
        self._database.close()


def _no_session(name: str) -> InputFault:
    return InputFault(f"there is no session {shown(name)} in the logbook; tuner log lists them")


def _insert(table: str, columns: tuple[str, ...]) -> str:
    marks = ", ".join("?" * (len(columns) + 1))
    return f"INSERT INTO {table}({', '.join(columns)}, seal) VALUES ({marks})"


@contextmanager
def disk_trouble(path: Path) -> Iterator[None]:
    """Make a ``BenchFault`` of whatever SQLite or the system has against the logbook `path`."""
    try:
        yield
    except (sqlite3.Error, OSError, UnicodeDecodeError) as error:
        raise BenchFault(
            f"the logbook {shown(str(path))} cannot be written or read ({shown(str(error))}); "
            "check that the folder exists, is yours and has free space, or choose another with "
            "--home"
        ) from error
