"""What stands in the file of a logbook: its tables, and how an older file becomes a newer one.

A new file is made the way an old one is brought up to date, one version after the other, so
both have the same schema to the letter. Version 2 added the seals, what a list of sessions
shows, and the readings that were taken back; with version 3 those count that came out the same
when they were read again, and a list shows what kind of session it was, of which job, and whether
at a simulated machine.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import Any

from tuner.session.sealed import LISTED, PROPOSAL, SESSION, STEP, seal_of

__all__ = [
    "APPLICATION_ID",
    "VERSION",
    "Schema",
    "bring_up_to_date",
    "last_step",
    "schema_as_made",
    "schema_of",
    "seal_proposal",
    "seal_session",
]

APPLICATION_ID = 0x54554E45  # "TUNE"
VERSION = 3

# The kinds of sessions that are not called as their plan is.
_QUICK = "quick"
_KINDS = {"bench": "measure"}
_SIMULATED = "rehearse://"

_VERSION_1 = """
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
"""
_COLUMNS_OF_2 = """
DROP TRIGGER step_is_final;
DROP VIEW IF EXISTS reading;
ALTER TABLE session ADD COLUMN brief TEXT;
ALTER TABLE session ADD COLUMN brief_seal TEXT;
ALTER TABLE session ADD COLUMN last_seal TEXT;
ALTER TABLE session ADD COLUMN seal TEXT;
ALTER TABLE step ADD COLUMN seal TEXT;
ALTER TABLE proposal ADD COLUMN seal TEXT;
"""
_REST_OF_2 = """
CREATE TRIGGER step_is_final BEFORE UPDATE ON step
    BEGIN SELECT RAISE(ABORT, 'steps are never changed'); END;
CREATE TRIGGER session_is_kept BEFORE DELETE ON session
    BEGIN SELECT RAISE(ABORT, 'sessions are never deleted'); END;
CREATE TRIGGER proposal_is_kept BEFORE DELETE ON proposal
    BEGIN SELECT RAISE(ABORT, 'proposals are never deleted'); END;
-- Holds all that a list shows: a list of ten thousand sessions reads this alone.
CREATE INDEX session_listed
    ON session(started_at, id, machine, ended_at, ended_as, brief, brief_seal);
-- A question for a reading and the reply to it, with no other message in between.
CREATE VIEW asked AS
    SELECT ask.session AS session, ask.n AS n, ask.key AS key,
           json_extract(ask.body, '$.axis') AS axis,
           json_extract(ask.body, '$.n') AS number,
           json_extract(ask.body, '$.at_mm') AS commanded_mm,
           json_extract(ask.body, '$.approach') AS approach,
           coalesce(json_extract(ask.body, '$.visit'), 1) AS visit,
           coalesce(json_extract(ask.body, '$.seat'), 1) AS seat,
           coalesce(json_extract(ask.body, '$.block_mm'), 0.0) AS block_mm,
           json_extract(ask.body, '$.replaces') AS replaces,
           reply.kind AS answer,
           json_extract(reply.body, '$.value') AS reading_mm,
           coalesce(json_extract(reply.body, '$.at_s'), reply.at_s) AS time_s
    FROM step AS ask JOIN step AS reply
      ON reply.session = ask.session
     AND reply.n = (SELECT min(n) FROM step
                    WHERE session = ask.session AND n > ask.n AND phase IN ('intent', 'reply'))
    WHERE ask.phase = 'intent' AND ask.kind = 'Ask' AND reply.phase = 'reply'
      AND json_extract(ask.body, '$.n') > 0;
-- A reading was withdrawn when a later one replaced it, or by the undo that finds it the last
-- one left: up to there more was undone than read.
CREATE VIEW reading AS
    SELECT session, n, key, axis, number, commanded_mm, approach, reading_mm, block_mm, seat, visit,
           time_s,
           EXISTS (SELECT 1 FROM asked AS later
                   WHERE later.session = taken.session AND later.axis = taken.axis
                     AND later.n > taken.n
                     AND (later.answer = 'Value' AND later.replaces = taken.number
                          OR later.answer = 'Undo' AND 0 > (
                              SELECT total((answer = 'Value') - (answer = 'Undo')) FROM asked
                              WHERE session = taken.session AND axis = taken.axis
                                AND n > taken.n AND n <= later.n))) AS withdrawn
    FROM asked AS taken WHERE answer = 'Value';
"""
_READING_OF_3 = """
DROP VIEW reading;
-- A reading was withdrawn when a later one replaced it, unless that was found to be the same: then
-- both count. It was undone by the undo that finds it the last one left: up to there more was
-- undone than read.
CREATE VIEW reading AS
    SELECT session, n, key, axis, number, commanded_mm, approach, reading_mm, block_mm, seat, visit,
           time_s,
           EXISTS (SELECT 1 FROM asked AS later
                   WHERE later.session = taken.session AND later.axis = taken.axis
                     AND later.n > taken.n AND later.answer = 'Value'
                     AND later.replaces = taken.number)
           AND NOT EXISTS (SELECT 1 FROM step AS same
                   WHERE same.session = taken.session AND same.n > taken.n
                     AND same.phase = 'reply' AND same.key = taken.axis || '.same-twice'
                     AND json_extract(same.body, '$.value')
                     AND taken.number = (
                         SELECT replaces FROM asked
                         WHERE session = taken.session AND axis = taken.axis AND n < same.n
                           AND answer = 'Value' AND replaces > 0
                         ORDER BY n DESC LIMIT 1))
           OR EXISTS (SELECT 1 FROM asked AS undo
                   WHERE undo.session = taken.session AND undo.axis = taken.axis
                     AND undo.n > taken.n AND undo.answer = 'Undo'
                     AND 0 > (SELECT total((answer = 'Value') - (answer = 'Undo')) FROM asked
                              WHERE session = taken.session AND axis = taken.axis
                                AND n > taken.n AND n <= undo.n)) AS withdrawn
    FROM asked AS taken WHERE answer = 'Value';
"""

Schema = frozenset[tuple[str, str | None]]
"""Names and definitions of everything in a file."""


def bring_up_to_date(database: sqlite3.Connection, version: int) -> None:
    """Make `database` one of this version; `version` is what it is, 0 where it is empty.

    Within a transaction of the caller's, who commits it.
    """
    if version < 1:
        _execute(database, _VERSION_1)
        database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    if version < 2:
        _execute(database, _COLUMNS_OF_2)
        _seal_everything(database)
        _execute(database, _REST_OF_2)
    if version < VERSION:
        _execute(database, _READING_OF_3)
        _brief_everything(database)
        database.execute(f"PRAGMA user_version = {VERSION}")


def _brief_of(plan: str, port: str, params: Mapping[str, Any], summary: Any) -> str:
    """Return as JSON what a list of sessions shows, the axes and the verdict of each first."""
    findings = summary if isinstance(summary, dict) else {}
    verdicts = {
        finding.get("axis") or key: finding["verdict"]
        for key, finding in findings.items()
        if isinstance(finding, dict) and "verdict" in finding
    }
    at = (str(port), str(params.get("card_file")))
    brief = {
        "axes": params.get("axes", []),
        "verdicts": verdicts,
        "outcome": findings.get("outcome", ""),
        "kind": _QUICK if params.get("quick") else _KINDS.get(plan, plan),
        "job": params.get("job") or findings.get("job", ""),
        "simulated": any(one.startswith(_SIMULATED) for one in at),
    }
    return json.dumps(brief, sort_keys=True)


def schema_of(database: sqlite3.Connection) -> Schema:
    """Return what is defined in `database`."""
    return frozenset(database.execute("SELECT name, sql FROM sqlite_master"))


@cache
def schema_as_made() -> Schema:
    """Return what is defined in every file of this version."""
    database = sqlite3.connect(":memory:", isolation_level=None)
    try:
        bring_up_to_date(database, 0)
        return schema_of(database)
    finally:
        database.close()


def _seal_everything(database: sqlite3.Connection) -> None:
    """Seal what an older version wrote without seals."""
    last: dict[str, str] = {}
    for row in database.execute(f"SELECT {', '.join(STEP)} FROM step ORDER BY session, n"):
        session, n, *_ = row
        last[session] = seal_of(row, last.get(session, ""))
        database.execute(
            "UPDATE step SET seal = ? WHERE session = ? AND n = ?", (last[session], session, n)
        )
    for (session,) in database.execute("SELECT id FROM session").fetchall():
        seal_session(database, session)
    for (identifier,) in database.execute("SELECT id FROM proposal").fetchall():
        seal_proposal(database, identifier)


def _brief_everything(database: sqlite3.Connection) -> None:
    """Write the brief of every session anew, but of one that is not as it was written."""
    columns = f"{', '.join(SESSION)}, seal"
    for *values, seal in database.execute(f"SELECT {columns} FROM session").fetchall():
        if seal == seal_of(values):
            _put_brief(database, values)


def seal_session(database: sqlite3.Connection, session: str) -> None:
    """Write brief and seals of `session` anew, from what stands there now."""
    last = last_step(database, session)[1]
    database.execute(
        "UPDATE session SET last_seal = iif(ended_as IS NULL, NULL, ?) WHERE id = ?",
        (last, session),
    )
    values = database.execute(
        f"SELECT {', '.join(SESSION)} FROM session WHERE id = ?", (session,)
    ).fetchone()
    _put_brief(database, values)
    database.execute("UPDATE session SET seal = ? WHERE id = ?", (seal_of(values), session))


def _put_brief(database: sqlite3.Connection, values: Sequence[Any]) -> None:
    """Write the brief of the session with these `values`, and its seal."""
    row = dict(zip(SESSION, values, strict=True))
    summary = None if row["summary"] is None else json.loads(row["summary"])
    row["brief"] = _brief_of(row["plan"], row["port"], json.loads(row["params"]), summary)
    database.execute(
        "UPDATE session SET brief = ?, brief_seal = ? WHERE id = ?",
        (row["brief"], seal_of([row[name] for name in LISTED]), row["id"]),
    )


def seal_proposal(database: sqlite3.Connection, identifier: str) -> None:
    """Write the seal of a proposal anew, from what stands there now."""
    values = database.execute(
        f"SELECT {', '.join(PROPOSAL)} FROM proposal WHERE id = ?", (identifier,)
    ).fetchone()
    database.execute("UPDATE proposal SET seal = ? WHERE id = ?", (seal_of(values), identifier))


def last_step(database: sqlite3.Connection, session: str) -> tuple[int, str]:
    """Return number and seal of the last step of `session`; 0 and none before the first."""
    row = database.execute(
        "SELECT n, seal FROM step WHERE session = ? ORDER BY n DESC LIMIT 1", (session,)
    ).fetchone()
    return (0, "") if row is None else (row[0], row[1])


def _execute(database: sqlite3.Connection, script: str) -> None:
    # Not executescript(), which would commit first.
    for statement in _statements(script):
        database.execute(statement)


def _statements(script: str) -> Iterator[str]:
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""
