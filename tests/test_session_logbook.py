"""The logbook keeps what it was given, in the order it was given, and refuses the rest."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from fakes import SetClock

from tuner.errors import BenchFault
from tuner.messages import Ask, fingerprint
from tuner.session.logbook import (
    APPLICATION_ID,
    SCHEMA_VERSION,
    Logbook,
    SessionHead,
    SessionLog,
    Step,
    port_in_words,
)

HEAD = SessionHead(
    id="20260314-101502-test-slide", machine="Test slide", card="card", dialect="dialect",
    port="rehearse://bench-mule", plan="bench", plan_version=1, params={"axes": ["x"]},
    tool_version="0",
)  # fmt: skip


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "bench" / "logbook.db"


@pytest.fixture
def logbook(file: Path) -> Iterator[Logbook]:
    book = Logbook(file)
    yield book
    book.close()


@pytest.fixture
def log(logbook: Logbook) -> SessionLog:
    return logbook.begin(HEAD, SetClock(12.3456))


def ask(n: int) -> dict[str, object]:
    return fingerprint(
        Ask(key=f"x.{n}", axis="x", at_mm=10.0 * n, approach="minus", n=n, low_mm=0, high_mm=150)
    )


def test_how_the_file_is_kept(file: Path, logbook: Logbook) -> None:
    there = sqlite3.connect(file)
    pragmas = ("application_id", "user_version", "journal_mode")
    values = [there.execute(f"PRAGMA {pragma}").fetchone()[0] for pragma in pragmas]
    there.close()
    assert values == [APPLICATION_ID, SCHEMA_VERSION, "wal"]
    assert bytes.fromhex(f"{APPLICATION_ID:x}") == b"TUNE"
    mine = logbook._database
    assert mine.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL
    assert mine.execute("PRAGMA foreign_keys").fetchone()[0] == 1


def test_it_is_opened_again_with_everything_in_it(file: Path, logbook: Logbook) -> None:
    logbook.begin(HEAD, SetClock()).step("note", "kind", "key", {"a": [1, None]})
    again = Logbook(file)
    assert again.sessions() == [HEAD.id]
    assert again.head(HEAD.id) == HEAD
    assert again.steps(HEAD.id) == [Step(1, 0.0, "note", "kind", "key", {"a": [1, None]})]
    again.close()


@pytest.mark.parametrize(
    "body", [None, "", "°C \u202e \x1b 日本", "lone \udcff surrogate", 0.1 + 0.2, 1e300, [1, "a"]],
    ids=ascii,
)  # fmt: skip
def test_any_body_comes_back(logbook: Logbook, log: SessionLog, body: object) -> None:
    log.step("note", "kind", "key", body)
    (step,) = logbook.steps(HEAD.id)
    assert (step.n, step.at_s, step.body) == (1, 12.346, body)


@pytest.mark.parametrize("body", [float("nan"), float("inf")])
def test_what_is_no_number_is_a_mistake_of_ours(log: SessionLog, body: float) -> None:
    with pytest.raises(ValueError, match="JSON"):
        log.step("note", "kind", "key", body)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE step SET body = 'null'",
        "UPDATE step SET n = 9",
        "DELETE FROM step",
        "DELETE FROM step WHERE n = 1",
        "INSERT INTO step SELECT * FROM step",
        "INSERT OR REPLACE INTO step SELECT session, n, run, at_utc, at_s, phase, kind, key, 'null'"
        " FROM step",
        "REPLACE INTO step SELECT session, n, run, at_utc, at_s, phase, kind, key, '1' FROM step",
        "INSERT INTO step SELECT session, 2, run, at_utc, at_s, 'other', kind, key, body FROM step",
        "INSERT INTO step SELECT 'none', 2, run, at_utc, at_s, phase, kind, key, body FROM step",
        "DELETE FROM session",
    ],
)
def test_a_step_is_never_changed(file: Path, log: SessionLog, statement: str) -> None:
    log.step("intent", "Ask", "x.1", ask(1))
    there = sqlite3.connect(file)
    there.execute("PRAGMA foreign_keys = ON")
    with pytest.raises(sqlite3.IntegrityError), there:
        there.execute(statement)
    before = there.execute("SELECT n, phase, body FROM step").fetchall()
    there.close()
    assert len(before) == 1
    assert before[0][2] != "null"


def test_readings_are_a_view(file: Path, logbook: Logbook, log: SessionLog) -> None:
    log.step("intent", "Ask", "x.0", ask(0))
    log.step("reply", "Value", "x.0", {"value": 0.0})
    for n, kind, body in [
        (1, "Value", {"value": 61.5}), (2, "Again", None), (2, "Value", {"value": 70.25}),
        (3, "Undo", None),
    ]:  # fmt: skip
        log.step("intent", "Ask", f"x.{n}", ask(n))
        log.step("note", "refused", "refused", "not a length")
        log.step("reply", kind, f"x.{n}", body)
    log.step("intent", "Ask", "x.4", ask(4))
    there = sqlite3.connect(file)
    rows = there.execute(
        "SELECT key, axis, commanded_mm, approach, reading_mm, time_s FROM reading ORDER BY n"
    ).fetchall()
    there.close()
    assert rows == [
        ("x.1", "x", 10.0, "minus", 61.5, 12.346),
        ("x.2", "x", 20.0, "minus", 70.25, 12.346),
    ]


def test_how_a_session_ended(logbook: Logbook, log: SessionLog) -> None:
    assert logbook.ending(HEAD.id) == (None, None)
    log.end("finished", {"x": {"verdict": "keep"}})
    assert logbook.ending(HEAD.id) == ("finished", {"x": {"verdict": "keep"}})
    for unknown in (logbook.ending, logbook.head):
        with pytest.raises(KeyError):
            unknown("none")


def test_a_proposal_is_noted_as_open(file: Path, log: SessionLog) -> None:
    log.proposal("p-1", "x", Path("/there/p-1.toml"), "ab" * 32)
    there = sqlite3.connect(file)
    assert there.execute("SELECT * FROM proposal").fetchall() == [
        ("p-1", HEAD.id, "x", str(Path("/there/p-1.toml")), "ab" * 32, "open", None)
    ]
    there.close()


def test_identifiers_are_free(logbook: Logbook) -> None:
    for expected in ("a", "a-2", "a-3"):
        free = logbook.free_identifier("a")
        assert free == expected
        logbook.begin(SessionHead(**{**vars(HEAD), "id": free}), SetClock())
    assert logbook.free_identifier("b") == "b"
    with pytest.raises(BenchFault):
        logbook.begin(SessionHead(**{**vars(HEAD), "id": "a"}), SetClock())


# --- files that are none of ours --------------------------------------------------------


def foreign(file: Path, *statements: str) -> None:
    file.parent.mkdir(parents=True)
    there = sqlite3.connect(file)
    for statement in statements:
        there.execute(statement)
    there.commit()
    there.close()


@pytest.mark.parametrize(
    "statements",
    [
        ("CREATE TABLE notes(text)",),
        ("CREATE TABLE notes(text)", "PRAGMA application_id = 7"),
        ("PRAGMA application_id = 7",),
        ("CREATE TABLE step(n)", "PRAGMA user_version = 1"),
    ],
)
def test_another_program_s_database_is_left_alone(file: Path, statements: tuple[str, ...]) -> None:
    foreign(file, *statements)
    before = file.read_bytes()
    with pytest.raises(BenchFault, match=r"logbook.db is a database of another program.*--home"):
        Logbook(file)
    assert file.read_bytes() == before
    assert sorted(one.name for one in file.parent.iterdir()) == ["logbook.db"]


def test_a_newer_logbook_is_left_alone(file: Path) -> None:
    foreign(
        file, f"PRAGMA application_id = {APPLICATION_ID}",
        f"PRAGMA user_version = {SCHEMA_VERSION + 1}", "CREATE TABLE step(n)",
    )  # fmt: skip
    before = file.read_bytes()
    with pytest.raises(BenchFault, match=r"newer version \(schema 2, this program knows 1\)"):
        Logbook(file)
    assert file.read_bytes() == before


def test_what_is_no_database(file: Path) -> None:
    file.parent.mkdir()
    file.write_bytes(b"these are notes, not a database\n" * 100)
    with pytest.raises(BenchFault, match="cannot be written or read"):
        Logbook(file)


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(BenchFault, match=r"cannot be written or read.*choose another with --home"):
        Logbook(tmp_path / "file" / "bench" / "logbook.db")


def test_a_disk_that_fails_later(logbook: Logbook, log: SessionLog) -> None:
    logbook.close()
    for write in (
        lambda: log.step("note", "kind", "key"),
        lambda: log.end("finished", None),
        lambda: log.proposal("p", "x", Path("p"), ""),
        lambda: logbook.begin(HEAD, SetClock()),
    ):
        with pytest.raises(BenchFault, match="free space"):
            write()


def test_the_serial_number_of_the_port_last_used_is_remembered(logbook: Logbook) -> None:
    assert logbook.last_serial_number("Test slide") is None
    ports = [
        port_in_words("/dev/one", "A1"),
        port_in_words("/dev/two", "B(2)"),
        port_in_words("/dev/three", None),
    ]
    assert ports == ["/dev/one (serial number A1)", "/dev/two (serial number B(2))", "/dev/three"]
    known = []
    for number, port in enumerate(ports):
        values = {**vars(HEAD), "id": f"s-{number}", "port": port}
        logbook.begin(SessionHead(**values), SetClock())
        known.append(logbook.last_serial_number("Test slide"))
    assert known == ["A1", "B(2)", "B(2)"]
    assert logbook.last_serial_number("another") is None
