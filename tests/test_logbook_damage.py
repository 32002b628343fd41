"""A logbook with any one byte changed, or cut anywhere: every record as it was, or a clear report.

The whole of it is ``python tests/bench/logbook_damage.py``; every 61st byte is tried here.
"""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from fakes import SetClock

from tuner.errors import BenchFault
from tuner.session.damage import Carried, forbids_writing, is_damage, put_aside
from tuner.session.logbook import Logbook, SessionHead, Step

MASKS = (0xFF, 0x01, 0x80)
EACH = 61
AXES = ("x", "y")


def head(session: str) -> SessionHead:
    return SessionHead(
        id=session, machine="Test slide", card="a card\n" * 20, dialect="a dialect\n" * 20,
        port="rehearse://bench-mule", plan="test", plan_version=1, params={"axes": [*AXES]},
        tool_version="0",
    )  # fmt: skip


def write(folder: Path) -> Path:
    """Write a logbook of three sessions, the last of which has not ended, and return its file."""
    path = folder / "logbook.db"
    logbook = Logbook(path)
    for number in range(3):
        log = logbook.begin(head(f"s-{number}"), SetClock(1.5))
        for n in range(1, 13):
            ask = {"axis": AXES[n % 2], "n": n, "at_mm": 10.0 * n, "approach": "plus"}
            log.step("intent", "Ask", f"x.{n}", ask)
            log.step("reply", "Value", f"x.{n}", {"value": 60.0 + n})
        log.proposal(f"p-{number}", "x", Path("p"), "ab" * 32)
        if number < 2:
            log.end("finished", {"x": {"verdict": "keep"}})
    logbook.close()
    return path


def sessions(logbook: Logbook) -> dict[str, Any]:
    """Return all that a logbook says of each session but its proposals."""
    return {
        one.id: (
            one, logbook.head(one.id), logbook.ending(one.id), logbook.steps(one.id),
            logbook.readings(one.id),
        )
        for one in logbook.summaries()
    }  # fmt: skip


def proposals(logbook: Logbook) -> list[Any]:
    return [one for session in logbook.sessions() for one in logbook.proposals(session)]


class Whole:
    """A logbook, and what becomes of it when its file is another one."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.raw = write(folder / "whole").read_bytes()
        logbook = Logbook(folder / "whole" / "logbook.db")
        self.sessions = sessions(logbook)
        self.proposals = proposals(logbook)
        logbook.close()
        self._number = 0

    def opened(self, raw: bytes) -> str:
        """Return whole, aside or fault, and fail for what is neither all there nor reported."""
        self._number += 1
        path = self.folder / str(self._number) / "logbook.db"
        path.parent.mkdir()
        path.write_bytes(raw)
        try:
            logbook = Logbook(path)
        except BenchFault as fault:
            assert "logbook.db" in str(fault)
            assert path.read_bytes() == raw
            return "fault"
        try:
            return self._held_against(logbook, raw)
        finally:
            logbook.close()
            shutil.rmtree(path.parent)

    def _held_against(self, logbook: Logbook, raw: bytes) -> str:
        if logbook.set_aside is None:
            assert sessions(logbook) == self.sessions
            assert proposals(logbook) == self.proposals
            log = logbook.begin(head("s-new"), SetClock())
            log.step("note", "kind", "key", "body")
            log.end("finished", None)
            assert [step.body for step in logbook.steps("s-new")] == ["body"]
            return "whole"
        (aside,) = logbook.path.parent.glob("logbook.damaged-*.db")
        assert aside.read_bytes() == raw
        assert aside.name in logbook.set_aside
        there_are = sessions(logbook)
        for name, found in there_are.items():
            whole = self.sessions[name]
            if found == whole:
                continue
            assert found[1] == whole[1]
            assert found[2] == ("damaged", whole[2][1])
            *steps, note = found[3]
            assert steps == whole[3][: len(steps)]
            assert note.kind == "damaged"
            assert f"{name} up to step {len(steps)}" in logbook.set_aside
        kept = [name for name, found in there_are.items() if found == self.sessions[name]]
        assert f"in the new one as well: {len(kept)} sessions" in logbook.set_aside
        assert all(one in self.proposals for one in proposals(logbook))
        return "aside"


@pytest.fixture
def whole(tmp_path_factory: pytest.TempPathFactory) -> Whole:
    return Whole(tmp_path_factory.mktemp("damage"))


def test_every_byte(whole: Whole) -> None:
    became = [
        whole.opened(flipped(whole.raw, at, MASKS[at % len(MASKS)]))
        for at in range(0, len(whole.raw), EACH)
    ]
    assert became.count("whole") > 100  # what no record needs
    assert became.count("aside") > 100


def test_every_byte_of_the_header(whole: Whole) -> None:
    # 100 bytes: the header of an SQLite file (its documentation, from memory).
    for at in range(100):
        whole.opened(flipped(whole.raw, at, 0xFF))


def flipped(raw: bytes, at: int, mask: int) -> bytes:
    return raw[:at] + bytes([raw[at] ^ mask]) + raw[at + 1 :]


def test_cut_anywhere(whole: Whole) -> None:
    for size in range(512, len(whole.raw), 3 * 512):
        assert whole.opened(whole.raw[:size]) == "aside", size
    for size in (1, 50, 99, 100, 511, len(whole.raw) - 1):
        assert whole.opened(whole.raw[:size]) == "aside", size


def test_cut_to_nothing(whole: Whole) -> None:
    folder = whole.folder / "nothing"
    (folder / "wire").mkdir(parents=True)
    (folder / "logbook.db").write_bytes(b"")
    Logbook(folder / "logbook.db").close()  # as where a session was killed in its first moment
    (folder / "logbook.db").write_bytes(b"")
    (folder / "wire" / "s-1.txt").write_bytes(b"")
    logbook = Logbook(folder / "logbook.db")
    logbook.close()
    assert logbook.set_aside is not None
    assert "it is empty, and there are transcripts" in logbook.set_aside


def test_what_stands_beside_it_goes_with_it(tmp_path: Path) -> None:
    when = datetime(2026, 3, 14, 10, 15, 2, tzinfo=UTC)
    for number, name in enumerate(["20260314-101502", "20260314-101502-2", "20260314-101502-3"]):
        for end in ("", "-wal", "-shm"):
            (tmp_path / f"logbook.db{end}").write_text(f"{number}{end}")
        aside = put_aside(tmp_path / "logbook.db", when, "reason")
        assert aside.name == f"logbook.damaged-{name}.db"
        for end in ("", "-wal", "-shm"):
            assert aside.with_name(aside.name + end).read_text() == f"{number}{end}"
    assert not [*tmp_path.glob("logbook.db*")]


def coded(code: int) -> sqlite3.Error:
    error = sqlite3.DatabaseError()
    error.sqlite_errorcode = code
    return error


def test_what_is_damage_and_what_is_only_the_disk() -> None:
    damage = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT_INDEX)
    assert all(is_damage(coded(code)) for code in damage)
    disk = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_FSYNC, sqlite3.SQLITE_BUSY)
    assert not any(is_damage(coded(code)) for code in disk)
    assert is_damage(UnicodeDecodeError("utf-8", b"", 0, 1, ""))
    assert is_damage(sqlite3.OperationalError("Could not decode to UTF-8 column"))
    assert not is_damage(sqlite3.ProgrammingError("Cannot operate on a closed database."))
    assert not is_damage(OSError())
    assert not is_damage(None)


def test_what_beside_a_session_is_damaged(tmp_path: Path) -> None:
    """Records that are changed through SQLite itself, so that no page is broken."""
    changes = {
        "UPDATE session SET brief = '{}' WHERE id = 's-1'": "session s-1 is not as it was",
        "UPDATE proposal SET state = 'applied' WHERE id = 'p-1'": "proposal p-1 is not as it was",
        "UPDATE session SET summary = 'null' WHERE id = 's-0'": "session s-0 is not as it was",
        "UPDATE session SET last_seal = NULL WHERE id = 's-0'": "session s-0 is not as it was",
        "DROP TRIGGER step_is_kept": "its tables are not as they were made",
        "PRAGMA application_id = 7": "its header does not say what it is",
        "PRAGMA user_version = 1": "its header does not say what it is",
    }
    for number, (change, says) in enumerate(changes.items()):
        path = write(tmp_path / str(number))
        with closing(sqlite3.connect(path, isolation_level=None)) as there:
            there.execute(change)
        logbook = Logbook(path)
        assert logbook.set_aside is not None
        assert f"the logbook was damaged ({says}" in logbook.set_aside
        lost = {name for name in ("s-0",) if name in says}
        assert {"s-0", "s-1", "s-2"} - lost == set(logbook.sessions())
        assert ("Could not be read: s-0" in logbook.set_aside) == bool(lost)
        logbook.close()


def test_what_is_whole_stays_as_it_was(tmp_path: Path) -> None:
    path = write(tmp_path)
    with closing(Logbook(path)) as logbook:
        before = sessions(logbook)
    with closing(sqlite3.connect(path, isolation_level=None)) as there:
        there.execute("UPDATE proposal SET state = 'applied' WHERE id = 'p-1'")
    with closing(Logbook(path)) as logbook:
        assert logbook.set_aside is not None
        assert logbook.set_aside.endswith(
            "Whole, and in the new one as well: 2 sessions. Later steps may be missing: s-2 up to "
            "step 24"
        )
        after = sessions(logbook)
        assert [one.id for one in proposals(logbook)] == ["p-0", "p-2"]
    assert [after[name] == before[name] for name in ("s-0", "s-1", "s-2")] == [True, True, False]


@pytest.mark.parametrize(
    ("there_are", "says"),
    [(5, "s-0, s-1, s-2, s-3, s-4"), (6, "s-0, s-1, s-2, s-3, s-4 and 1 more"),
     (8, "s-0, s-1, s-2, s-3, s-4 and 3 more")],
)  # fmt: skip
def test_five_are_named(there_are: int, says: str) -> None:
    names = [f"s-{n}" for n in range(there_are)]
    assert Carried(lost=names).in_words().endswith(f"0 sessions. Could not be read: {says}")


def test_steps_that_are_missing_at_the_end(tmp_path: Path) -> None:
    path = write(tmp_path)
    with closing(sqlite3.connect(path, isolation_level=None)) as there:
        (trigger,) = there.execute("SELECT sql FROM sqlite_master WHERE name = 'step_is_kept'")
        there.execute("DROP TRIGGER step_is_kept")
        there.execute("DELETE FROM step WHERE session = 's-1' AND n > 20")
        there.execute(*trigger)
    copy = tmp_path / "copy" / "logbook.db"
    copy.parent.mkdir()
    shutil.copy(path, copy)
    with closing(Logbook(copy)) as logbook:
        assert "(steps at the end of session s-1 are missing)" in str(logbook.set_aside)
    with closing(sqlite3.connect(path, isolation_level=None)) as there:
        there.execute("DROP TRIGGER step_is_kept")
        there.execute("DELETE FROM step WHERE session = 's-0' AND n = 1")
        there.execute(*trigger)
    logbook = Logbook(path)
    assert logbook.set_aside is not None
    assert "(step 1 of session s-0 is not as it was written)" in logbook.set_aside
    assert "s-0 up to step 0, s-1 up to step 20, s-2 up to step 24" in logbook.set_aside
    assert [len(logbook.steps(f"s-{n}")) for n in range(3)] == [1, 21, 25]
    assert logbook.steps("s-0") == [Step(1, 0.0, "note", "damaged", "damaged", 0)]
    assert logbook.steps("s-1")[20] == Step(21, 1.5, "note", "damaged", "damaged", 20)
    assert [step.at_utc for step in logbook.steps("s-1")[19:]] == [
        logbook.steps("s-1")[19].at_utc
    ] * 2
    assert logbook.steps("s-0")[0].at_utc == logbook.summary("s-0").started_at
    assert [one.id for one in logbook.unfinished()] == ["s-2", "s-1", "s-0"]
    taken = logbook.take_up("s-1", SetClock())
    taken.step("note", "kind", "key")
    logbook.close()
    with closing(Logbook(path)) as again:
        assert again.set_aside is None


def test_a_file_of_another_make_is_not_taken_for_one_that_must_not_be_written() -> None:
    database = sqlite3.connect(":memory:")
    with pytest.raises(sqlite3.OperationalError, match="no such table"):
        forbids_writing(database)
    database.close()
