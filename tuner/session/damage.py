"""A damaged logbook: how it is noticed, put aside, and what is whole carried over.

Nothing is ever deleted. The file gets another name, with what SQLite keeps beside it; every
session whose seals are right is copied as it is into a new logbook. Of one that broke off, the
steps before the break are copied, and a note says so.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from tuner.errors import BenchFault
from tuner.session.hold import held
from tuner.session.schema import last_step, seal_session
from tuner.session.sealed import LISTED, PROPOSAL, SESSION, STEP, Row, seal_of, unbroken
from tuner.text import shown

__all__ = [
    "Carried",
    "broken_page",
    "carry_over",
    "forbids_writing",
    "is_damage",
    "put_aside",
    "what_is_wrong",
]

_COMPANIONS = ("-wal", "-shm")
_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT)
_MOST_NAMED = 5


def is_damage(error: BaseException | None) -> bool:
    """Return whether `error` speaks of the content of the file, and not of the disk it is on."""
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:  # of Python's own: a text, or what SQLite says of it, is no UTF-8
        return isinstance(error, sqlite3.OperationalError | UnicodeDecodeError)
    return (code & 0xFF) in _DAMAGE


def forbids_writing(database: sqlite3.Connection) -> bool:
    """Return whether SQLite takes a file for one that it must not write."""
    try:
        database.execute("UPDATE proposal SET id = id WHERE 0")  # asks to write, and writes nothing
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_READONLY:
            return True
        raise
    return False


def broken_page(database: sqlite3.Connection, check: str = "quick_check") -> str | None:
    """Return in words the first thing that SQLite finds wrong in a file, None for nothing."""
    (found,) = database.execute(f"PRAGMA {check}(1)").fetchone()
    return None if found == "ok" else str(found).splitlines()[-1]


def what_is_wrong(database: sqlite3.Connection) -> str | None:
    """Return in words the first thing wrong in a logbook of this version, None when it is whole.

    Every page and every row is looked at.
    """
    found = broken_page(database, check="integrity_check")
    if found is not None:
        return found
    lasts: dict[str, str] = {}
    for session, row in _by_session(database):
        if unbroken(row) < len(row):
            return f"step {unbroken(row) + 1} of session {shown(session)} is not as it was written"
        lasts[session] = str(row[-1][-1])
    for row in database.execute(f"SELECT {_names(SESSION)}, seal FROM session"):
        values = dict(zip(SESSION, row[:-1], strict=True))
        if row[-1] != seal_of(row[:-1]):
            return f"session {shown(str(row[0]))} is not as it was written"
        last = lasts.get(values["id"], "")
        if values["ended_as"] is not None and values["last_seal"] != last:
            return f"steps at the end of session {shown(row[0])} are missing"
    for table, columns, seal in _SEALED:
        for row in database.execute(f"SELECT {_names(columns)}, {seal} FROM {table}"):
            if row[-1] != seal_of(row[:-1]):
                return f"{table} {shown(str(row[0]))} is not as it was written"
    return None


_SEALED = (("session", LISTED, "brief_seal"), ("proposal", PROPOSAL, "seal"))


def _names(columns: tuple[str, ...]) -> str:
    return ", ".join(columns)


def _by_session(database: sqlite3.Connection) -> Iterator[tuple[str, list[Row]]]:
    """Yield each session that has steps, with its steps in order, their seals last."""
    steps: list[Row] = []
    for row in database.execute(f"SELECT {_names(STEP)}, seal FROM step ORDER BY session, n"):
        if steps and steps[0][0] != row[0]:
            yield str(steps[0][0]), steps
            steps = []
        steps.append(row)
    if steps:
        yield str(steps[0][0]), steps


def put_aside(path: Path, when: datetime, reason: str) -> Path:
    """Give the damaged logbook at `path` another name and return it; nobody may have it open.

    Raises ``BenchFault`` while a session is being written into it.
    """
    writing = held(path)
    if writing:
        raise BenchFault(
            f"the logbook {shown(str(path))} is damaged ({reason}), and session "
            f"{shown(writing[0])} is being written into it; end that session first"
        )
    stem = f"{path.stem}.damaged-{when:%Y%m%d-%H%M%S}"
    aside, number = path.with_name(f"{stem}{path.suffix}"), 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{stem}-{number}{path.suffix}")
    # What stands beside it first: it must never meet the file that takes the name.
    for end in _COMPANIONS:
        companion = path.with_name(path.name + end)
        if companion.exists():
            companion.rename(aside.with_name(aside.name + end))
    path.rename(aside)
    return aside


@dataclass
class Carried:
    """What became of the sessions of a damaged logbook, by identifier."""

    whole: list[str] = field(default_factory=list)
    cut: dict[str, int] = field(default_factory=dict)  # how many steps there are of it
    lost: list[str] = field(default_factory=list)

    def in_words(self) -> str:
        """Return sentences about it."""
        says = f"Whole, and in the new one as well: {len(self.whole)} sessions"
        cut = [f"{shown(name)} up to step {n}" for name, n in self.cut.items()]
        if cut:
            says += f". Later steps may be missing: {_listed(cut)}"
        if self.lost:
            says += f". Could not be read: {_listed([*map(shown, self.lost)])}"
        return says


def _listed(names: list[str]) -> str:
    more = len(names) - _MOST_NAMED
    return ", ".join(names[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def carry_over(damaged: Path, into: sqlite3.Connection) -> Carried:
    """Copy what is whole in the file `damaged` `into` a new logbook, within the caller's
    transaction."""
    carried = Carried()
    has_companion = damaged.with_name(f"{damaged.name}-wal").exists()
    mode = "mode=ro" if has_companion else "immutable=1"
    with closing(sqlite3.connect(f"{damaged.absolute().as_uri()}?{mode}", uri=True)) as source:
        source.text_factory = _as_it_is
        heads = [*_readable(source, f"SELECT {_names(SESSION)}, seal FROM session NOT INDEXED")]
        for *values, seal in heads:
            if seal == seal_of(values):
                _carry_session(source, into, values, carried)
        known = {*carried.whole, *carried.cut}
        named = _readable(source, "SELECT DISTINCT session FROM step")
        carried.lost = sorted({str(one[0]) for one in [*heads, *named]} - known)
        for *values, seal in _readable(source, f"SELECT {_names(PROPOSAL)}, seal FROM proposal"):
            if seal == seal_of(values) and values[1] in known:
                _insert(into, "proposal", (*PROPOSAL, "seal"), (*values, seal))
    return carried


def _carry_session(
    source: sqlite3.Connection, into: sqlite3.Connection, head: list[str], carried: Carried
) -> None:
    session = head[0]
    steps = [
        *_readable(
            source, f"SELECT {_names(STEP)}, seal FROM step WHERE session = ? ORDER BY n", session
        )
    ]
    n = unbroken(steps)
    _insert(into, "session", SESSION, head)
    for row in steps[:n]:
        _insert(into, "step", (*STEP, "seal"), row)
    ended = dict(zip(SESSION, head, strict=True))
    # One that had not ended says of no step that it was the last: some may be missing.
    if n == len(steps) and ended["last_seal"] == last_step(into, session)[1]:
        seal_session(into, session)
        carried.whole.append(session)
        return
    carried.cut[session] = n
    _, before = last_step(into, session)
    run, at_utc, at_s = (1, ended["started_at"], 0.0) if not n else steps[n - 1][2:5]
    note = (session, n + 1, run, at_utc, at_s, "note", "damaged", "damaged", json.dumps(n))
    _insert(into, "step", (*STEP, "seal"), (*note, seal_of(note, before)))
    into.execute("UPDATE session SET ended_as = 'damaged' WHERE id = ?", (session,))
    seal_session(into, session)


def _readable(database: sqlite3.Connection, query: str, *values: str) -> Iterator[list[str]]:
    """Yield the rows of `query` up to the first that cannot be read."""
    try:
        for row in database.execute(query, values):
            yield list(row)
    except (sqlite3.Error, UnicodeDecodeError):
        return


def _as_it_is(raw: bytes) -> str:
    return raw.decode("utf-8", "replace")


def _insert(into: sqlite3.Connection, table: str, columns: tuple[str, ...], values: Row) -> None:
    marks = ", ".join("?" * len(columns))
    into.execute(f"INSERT INTO {table}({_names(columns)}) VALUES ({marks})", [*values])
