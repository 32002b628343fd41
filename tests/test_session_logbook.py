"""The logbook keeps what it was given, in the order it was given, and refuses the rest."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from threading import Timer
from typing import Any

import pytest
from fakes import SetClock

from tuner.errors import BenchFault, Defect, InputFault
from tuner.messages import Ask, fingerprint
from tuner.session import schema
from tuner.session.hold import Hold, Mending, held
from tuner.session.logbook import (
    Logbook,
    ProposalState,
    SessionHead,
    SessionLog,
    SessionSummary,
    Step,
    TakenReading,
    port_in_words,
)
from tuner.session.schema import APPLICATION_ID
from tuner.session.schema import VERSION as SCHEMA_VERSION
from tuner.session.sealed import seal_of, unbroken

HEAD = SessionHead(
    id="20260314-101502-test-slide", machine="Test slide", card="card", dialect="dialect",
    port="rehearse://bench-mule", plan="bench", plan_version=1, params={"axes": ["x"]},
    tool_version="0",
)  # fmt: skip


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "far" / "bench" / "logbook.db"


@pytest.fixture
def logbook(file: Path) -> Iterator[Logbook]:
    book = Logbook(file)
    yield book
    book.close()


@pytest.fixture
def log(logbook: Logbook) -> SessionLog:
    return logbook.begin(HEAD, SetClock(12.3456))


STEP = "session, n, run, at_utc, at_s"


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
    with pytest.raises(ValueError, match="JSON"):
        log.end("finished", {"x": body})


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE step SET body = 'null'",
        "UPDATE step SET n = 9",
        "DELETE FROM step",
        "DELETE FROM step WHERE n = 1",
        "INSERT INTO step SELECT * FROM step",
        f"INSERT OR REPLACE INTO step SELECT {STEP}, phase, kind, key, 'null', seal FROM step",
        f"REPLACE INTO step SELECT {STEP}, phase, kind, key, '1', seal FROM step",
        "INSERT INTO step SELECT session, 2, run, at_utc, at_s, 'other', kind, key, body, seal "
        "FROM step",
        "INSERT INTO step SELECT 'none', 2, run, at_utc, at_s, phase, kind, key, body, seal "
        "FROM step",
        "DELETE FROM session",
        "DELETE FROM proposal",
    ],
)
def test_a_step_is_never_changed(file: Path, log: SessionLog, statement: str) -> None:
    log.step("intent", "Ask", "x.1", ask(1))
    log.proposal("p-1", "x", Path("p"), "0")
    there = sqlite3.connect(file)
    there.execute("PRAGMA foreign_keys = ON")
    with pytest.raises(sqlite3.IntegrityError), there:
        there.execute(statement)
    before = there.execute("SELECT n, phase, body FROM step").fetchall()
    there.close()
    assert len(before) == 1
    assert before[0][2] != "null"


def read(log: SessionLog, n: int, kind: str, body: object = None, **asked: object) -> None:
    log.step("intent", "Ask", f"x.{n}", {**ask(n), **asked})
    log.step("note", "refused", "refused", "not a length")
    log.step("reply", kind, f"x.{n}", body)


def test_readings_are_a_view(logbook: Logbook, log: SessionLog) -> None:
    read(log, 0, "Value", {"value": 0.0})  # the zero check
    read(log, 1, "Value", {"value": 61.5, "at_s": 10.5})
    read(log, 2, "Again")
    read(log, 2, "Value", {"value": 70.25}, visit=2, seat=3, block_mm=50.0)
    log.step("intent", "Ask", "x.3", ask(3))
    log.step("lost", "interrupted", "x.3")
    log.step("intent", "Confirm", "x.holds", {})  # after a kill: no reply to the reading
    log.step("reply", "Value", "x.holds", {"value": True})
    log.step("intent", "Ask", "x.4", ask(4))
    first, second = logbook.readings(HEAD.id)
    assert first == TakenReading(
        4, "x.1", "x", 1, 10.0, "minus", 61.5, block_mm=0.0, seat=1, visit=1, time_s=10.5,
        withdrawn=False,
    )  # fmt: skip
    assert second == TakenReading(
        10, "x.2", "x", 2, 20.0, "minus", 70.25, block_mm=50.0, seat=3, visit=2, time_s=12.346,
        withdrawn=False,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("answers", "withdrawn"),
    [
        ("1 2 3", ""),
        ("1 2 3u 2", "2"),  # the first 2
        ("1 2 3u 2u 1 2 3", "1 2"),
        ("1 2 3u 2 3u 2", "2 2"),
        ("1 2u", "1"),
        ("1 2 3>1", "1"),
        ("1 2 3>1u 2", "2"),  # undo is of the reading before
        ("1 y1 2u 1", "1"),
        ("1 y1 2>1", "1"),
        ("1u", ""),
        ("1 2 3>1!", "1"),
        ("1 2 3>1=", ""),  # it came out the same: both count
        ("1 2 3>1= 4u 3>1", "3"),  # its second is undone and read anew; it counts all the same
        ("1 2 3>1= 4>2!", "2"),
        ("1 2 3>1! 4>2=", "1"),
        ("1 2 3u 2 3>2=", "2"),  # the one that was undone stays so
        ("1 y1 2>1 y2>1=", "1"),
    ],
)
def test_readings_that_were_taken_back(
    logbook: Logbook, log: SessionLog, answers: str, withdrawn: str
) -> None:
    taken: list[str] = []
    for one in answers.split():
        number, _, replaces = one.strip("yu=!").partition(">")
        axis = "y" if one.startswith("y") else "x"
        asked: dict[str, object] = {"axis": axis}
        if replaces:
            asked["replaces"] = int(replaces)
        is_undo = one.endswith("u")
        read(log, int(number), "Undo" if is_undo else "Value", {"value": 1.0}, **asked)
        taken += [] if is_undo else [one]
        if one.endswith(("=", "!")):
            log.step("intent", "Decided", f"{axis}.same-twice", {})
            log.step("reply", "Value", f"{axis}.same-twice", {"value": one.endswith("=")})
    readings = logbook.readings(HEAD.id)
    assert [str(one.number) for one in readings if one.withdrawn] == withdrawn.split()
    assert len(readings) == len(taken)
    # Where a number was read twice, it is the first that was taken back.
    left = [one for one in readings if not one.withdrawn]
    assert len({(one.axis, one.number) for one in left}) == len(left)
    assert all(one.axis == "x" for one in readings if one.withdrawn)


def test_steps_of_several_threads_stand_one_after_the_other(
    logbook: Logbook, log: SessionLog
) -> None:
    with ThreadPoolExecutor(4) as threads:
        for n in range(40):
            threads.submit(log.step, "note", "kind", "key", n)
    steps = logbook.steps(HEAD.id)
    assert [step.n for step in steps] == [*range(1, 41)]
    assert sorted(step.body for step in steps) == [*range(40)]


def test_how_a_session_ended(logbook: Logbook, log: SessionLog) -> None:
    assert logbook.ending(HEAD.id) == (None, None)
    log.end("finished", {"x": {"verdict": "keep"}})
    assert logbook.ending(HEAD.id) == ("finished", {"x": {"verdict": "keep"}})
    for unknown in (logbook.ending, logbook.head, logbook.summary, logbook.find):
        with pytest.raises(InputFault, match="there is no session none in the logbook"):
            unknown("none")


# --- proposals --------------------------------------------------------------------------


def test_a_proposal_is_open_until_somebody_says_what_became_of_it(
    logbook: Logbook, log: SessionLog
) -> None:
    log.proposal("p-1", "x", Path("/there/p-1.toml"), "ab" * 32)
    log.proposal("p-2", "y", Path("/there/p-2.toml"), "cd" * 32)
    first = ProposalState(
        "p-1", HEAD.id, "x", str(Path("/there/p-1.toml")), "ab" * 32, "open", None
    )
    assert logbook.proposals(HEAD.id)[0] == first
    logbook.close_proposal("p-1", "confirmed", "session s-2")
    assert [(one.id, one.state, one.closed_by) for one in logbook.proposals(HEAD.id)] == [
        ("p-1", "confirmed", "session s-2"), ("p-2", "open", None),
    ]  # fmt: skip
    assert logbook.proposals("none") == []
    with pytest.raises(InputFault, match="no proposal p-3"):
        logbook.close_proposal("p-3", "applied", "me")
    with pytest.raises(Defect, match="no state"):
        logbook.close_proposal("p-1", "Applied", "me")
    for state in (
        "open", "applied", "confirmed", "not-applied", "applied-wrongly", "rejected", "replaced"
    ):  # fmt: skip
        logbook.close_proposal("p-2", state, "me")
        assert logbook.proposals(HEAD.id)[1].state == state
    with pytest.raises(BenchFault):  # never a second time
        log.proposal("p-1", "x", Path("/there/p-1.toml"), "ef" * 32)


# --- all sessions -----------------------------------------------------------------------


def named(name: str, **changes: Any) -> SessionHead:
    return replace(HEAD, id=name, **changes)


def test_sessions_are_listed_the_newest_first(logbook: Logbook) -> None:
    logbook.begin(named("s-1"), SetClock()).end("finished", {"x": {"verdict": "keep"}, "y": None})
    logbook.begin(named("s-2", machine="Other", params={}), SetClock()).end("stopped", None)
    logbook.begin(named("s-3"), SetClock())
    found = logbook.summaries()
    assert [(one.id, one.machine, one.ended_as) for one in found] == [
        ("s-3", "Test slide", None), ("s-2", "Other", "stopped"), ("s-1", "Test slide", "finished"),
    ]  # fmt: skip
    assert [one.axes for one in found] == [("x",), (), ("x",)]
    assert [one.verdicts for one in found] == [{}, {}, {"x": "keep"}]
    assert found[0].ended_at is None
    assert found[2] == logbook.summary("s-1") == SessionSummary(
        "s-1", found[2].started_at, "Test slide", ("x",), {"x": "keep"}, found[2].ended_at,
        "finished", "measure", simulated=True,
    )  # fmt: skip
    assert logbook.sessions() == ["s-1", "s-2", "s-3"]
    assert [one.id for one in logbook.unfinished()] == ["s-3", "s-2"]


def test_what_became_of_a_proposal_is_listed_by_its_axis(logbook: Logbook) -> None:
    finding = {"axis": "y", "verdict": "keep"}
    checked = {"proposal": "p-1", "outcome": "confirmed", "finding": finding}
    logbook.begin(named("s-1", plan="check"), SetClock()).end("finished", checked)
    listed = logbook.summary("s-1")
    assert (listed.verdicts, listed.outcome) == ({"y": "keep"}, "confirmed")


@pytest.mark.parametrize(
    ("changes", "result", "shows"),
    [
        ({"params": {"quick": True, "job": "A-1"}}, None, ("quick", "A-1", False)),
        ({"plan": "lost-steps", "port": "rehearse://m?seed=1"}, None, ("lost-steps", "", True)),
        ({"plan": "intake", "params": {"card_file": "rehearse://m"}}, {"job": "7"},
         ("intake", "7", True)),
    ],
)  # fmt: skip
def test_kind_and_job_of_a_session_are_listed(
    logbook: Logbook, changes: dict[str, Any], result: Any, shows: tuple[str, str, bool]
) -> None:
    logbook.begin(
        named("s-1", port="/dev/one", **changes)
        if "port" not in changes
        else named("s-1", **changes),
        SetClock(),
    ).end("finished", result)
    (listed,) = logbook.summaries()
    assert (listed.kind, listed.job, listed.simulated) == shows


def test_a_session_is_found_by_the_beginning_of_its_name(logbook: Logbook) -> None:
    for name in ("s-1", "s-10", "s-11", "s-12", "t_1"):
        logbook.begin(named(name), SetClock())
    finds = {"s-1": "s-1", "s-12": "s-12", "t": "t_1", "last": "t_1", "t_": "t_1"}
    assert {name: logbook.find(name) for name in finds} == finds
    with pytest.raises(InputFault, match=r"begin with s: s-1, s-10, s-11 and more; give more"):
        logbook.find("s")
    for name in ("S-1", "%", "s_1", ""):
        with pytest.raises(InputFault, match=r"no session|give more"):
            logbook.find(name)


def test_there_is_no_last_session_in_a_new_logbook(logbook: Logbook) -> None:
    assert logbook.summaries() == []
    with pytest.raises(InputFault, match="no session last"):
        logbook.find("last")


# --- taken up again ---------------------------------------------------------------------


def test_a_session_is_taken_up_again(logbook: Logbook, log: SessionLog) -> None:
    log.step("note", "one", "key")
    log.end("stopped", {"x": {"verdict": "keep"}})
    ended_at = logbook.summary(HEAD.id).ended_at
    again = logbook.take_up(HEAD.id, SetClock(50.0))
    assert logbook.ending(HEAD.id) == (None, None)
    again.step("note", "two", "key")
    again.close()
    third = logbook.take_up(HEAD.id, SetClock())  # it did not end: killed
    third.step("note", "three", "key")
    third.end("finished", None)
    assert [(one.n, one.run, one.kind) for one in logbook.steps(HEAD.id)] == [
        (1, 1, "one"), (2, 2, "ended"), (3, 2, "two"), (4, 3, "three"),
    ]  # fmt: skip
    assert logbook.steps(HEAD.id)[1].body == {
        "ended_at": ended_at, "ended_as": "stopped", "summary": {"x": {"verdict": "keep"}},
    }  # fmt: skip
    assert logbook.unfinished() == []
    with pytest.raises(InputFault, match="no session none"):
        logbook.take_up("none", SetClock())


def test_a_session_without_a_step_is_taken_up(logbook: Logbook, log: SessionLog) -> None:
    log.close()
    logbook.take_up(HEAD.id, SetClock()).step("note", "kind", "key")
    assert [(one.n, one.run) for one in logbook.steps(HEAD.id)] == [(1, 1)]


def test_one_writer_for_one_session(file: Path, logbook: Logbook, log: SessionLog) -> None:
    other = Logbook(file)
    with pytest.raises(BenchFault, match="is being written by another window"):
        other.take_up(HEAD.id, SetClock())
    assert held(file) == [HEAD.id]
    with closing(other):
        log.end("stopped", None)
        assert held(file) == []
        taken = other.take_up(HEAD.id, SetClock())
        log.close()  # a second time: the hold is another's now
        assert held(file) == [HEAD.id]
        taken.step("note", "kind", "key")
    assert held(file) == []
    assert sorted(path.name for path in file.parent.iterdir() if "writing" in path.name) == []


def test_a_session_that_has_ended_is_not_written_on(log: SessionLog) -> None:
    log.end("finished", None)
    with pytest.raises(Defect, match="has ended"):
        log.step("note", "kind", "key")


HOLDING = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from fakes import SetClock
from tuner.session.logbook import Logbook, SessionHead
name = sys.argv[3]
head = SessionHead(name, "m", "card", "dialect", "none", "test", 1, {}, "0")
log = Logbook(Path(sys.argv[1])).begin(head, SetClock())
for line in sys.stdin:
    log.step("note", "typed", "key", line.strip())
    print(line, end="", flush=True)
"""


def writer(file: Path, name: str) -> subprocess.Popen[str]:
    arguments = [sys.executable, "-c", HOLDING, str(file), str(Path(__file__).parent), name]
    return subprocess.Popen(
        arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
    )


def say(process: subprocess.Popen[str], text: str) -> None:
    assert process.stdin and process.stdout
    process.stdin.write(f"{text}\n")
    assert process.stdout.readline() == f"{text}\n"


def test_two_processes_write_two_sessions_at_once(file: Path) -> None:
    writers = [writer(file, name) for name in ("s-1", "s-2")]
    try:
        for n in range(20):
            for number, process in enumerate(writers):
                say(process, f"{number} {n}")
        with closing(Logbook(file)) as logbook:
            assert held(file) == ["s-1", "s-2"]
            with pytest.raises(BenchFault, match="session s-1 is being written"):
                logbook.take_up("s-1", SetClock())
            for number, name in enumerate(("s-1", "s-2")):
                typed = [step.body for step in logbook.steps(name)]
                assert typed == [f"{number} {n}" for n in range(20)]
            writers[0].kill()
            writers[0].wait()
            log = logbook.take_up("s-1", SetClock())  # the system lets go of what died
            log.step("note", "typed", "key", "more")
            say(writers[1], "still")
            assert logbook.steps("s-1")[-1].body == "more"
            assert logbook.steps("s-2")[-1].body == "still"
            assert logbook.set_aside is None
    finally:
        for process in writers:
            process.kill()
            process.communicate()


def test_a_logbook_that_another_process_begins_just_now_is_waited_for(file: Path) -> None:
    file.parent.mkdir(parents=True)
    with closing(sqlite3.connect(file, isolation_level=None, check_same_thread=False)) as other:
        other.execute("BEGIN IMMEDIATE")
        done = Timer(0.2, other.execute, ["ROLLBACK"])
        done.start()
        with closing(Logbook(file)) as logbook:
            assert logbook.sessions() == []
        done.join()


def test_a_hold_that_cannot_be_taken(tmp_path: Path, logbook: Logbook) -> None:
    (logbook.path.parent / f"writing-{HEAD.id}").mkdir()
    with pytest.raises(BenchFault, match=r"cannot be written or read.*unable to open"):
        logbook.begin(HEAD, SetClock())
    assert logbook.sessions() == []


def test_identifiers_are_free(logbook: Logbook) -> None:
    for expected in ("a", "a-2", "a-3"):
        free = logbook.free_identifier("a")
        assert free == expected
        logbook.begin(SessionHead(**{**vars(HEAD), "id": free}), SetClock())
    assert logbook.free_identifier("b") == "b"
    with pytest.raises(BenchFault):
        logbook.begin(SessionHead(**{**vars(HEAD), "id": "a"}), SetClock())
    logbook.begin(SessionHead(**{**vars(HEAD), "id": "b"}), SetClock())  # nothing was left of it


def test_the_name_of_a_hold(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    logbook = tmp_path / "logbook.db"
    for session, name in [("s-1", "s-1"), ("../a b\0", ".._a_b_"), ("s" * 300, "s" * 100)]:
        hold = Hold(logbook, session)
        assert [path.name for path in tmp_path.iterdir()] == [f"writing-{name}"]
        hold.close()
        assert [*tmp_path.iterdir()] == []
    (tmp_path / "writing-s-1").write_bytes(b"something else stands there" * 100)
    with pytest.raises(sqlite3.DatabaseError, match="not a database"):
        Hold(logbook, "s-1")
    (tmp_path / "writing-s-1").unlink()

    def unlink(*_: object, **__: object) -> None:
        raise PermissionError("a file that is open is not removed here")

    monkeypatch.setattr(Path, "unlink", unlink)
    first = Hold(logbook, "s-1")
    first.close()
    Hold(logbook, "s-1").close()  # the name is still there, and holds nothing


def test_a_hold_is_let_go_of_from_any_thread(tmp_path: Path) -> None:
    hold = Hold(tmp_path / "logbook.db", "s-1")
    with ThreadPoolExecutor() as another:
        another.submit(hold.close).result()
    assert [*tmp_path.iterdir()] == []


def test_a_hold_that_is_refused_leaves_nothing_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[sqlite3.Connection] = []
    connect = sqlite3.connect

    def noted(*of: Any, **more: Any) -> sqlite3.Connection:
        assert more["timeout"] == 0.0  # whoever is second hears it at once
        opened.append(connect(*of, **more))
        return opened[-1]

    monkeypatch.setattr("tuner.session.hold.sqlite3.connect", noted)
    hold = Hold(tmp_path / "logbook.db", "s-1")
    with pytest.raises(BenchFault, match="being written"):
        Hold(tmp_path / "logbook.db", "s-1")
    hold.close()
    assert len(opened) == 2
    for one in opened:
        with pytest.raises(sqlite3.ProgrammingError, match="closed"):
            one.execute("SELECT 1")


def test_one_process_at_a_time_puts_a_damaged_logbook_aside(file: Path) -> None:
    file.parent.mkdir(parents=True)
    file.write_bytes(b"these are notes, not a database\n" * 100)
    with closing(Mending(file)), pytest.raises(BenchFault, match="another window is putting it"):
        Logbook(file)
    with closing(Logbook(file)) as logbook:
        assert logbook.set_aside is not None
    assert [path.name for path in file.parent.glob("*mending*")] == []


def test_a_logbook_that_another_process_has_put_aside(
    file: Path, logbook: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    logbook.begin(HEAD, SetClock()).end("finished", None)
    logbook.close()
    whole = file.read_bytes()
    file.write_bytes(b"these are notes, not a database\n" * 100)

    class Late(Mending):
        def __init__(self, path: Path) -> None:
            super().__init__(path)
            path.write_bytes(whole)

    monkeypatch.setattr("tuner.session.logbook.Mending", Late)
    with closing(Logbook(file)) as again:
        assert again.set_aside is None
        assert again.sessions() == [HEAD.id]
    assert [path.name for path in file.parent.iterdir()] == ["logbook.db"]


def test_a_chain_of_steps_breaks_at_a_change_and_at_a_gap() -> None:
    def chain(*numbers: int) -> list[list[Any]]:
        rows: list[list[Any]] = []
        for n in numbers:
            values = ["s-1", n, "body"]
            rows.append([*values, seal_of(values, rows[-1][-1] if rows else "")])
        return rows

    assert [unbroken(chain(*numbers)) for numbers in [(), (1, 2, 3), (2, 3), (1, 2, 4)]] == [
        0, 3, 0, 2,
    ]  # fmt: skip
    rows = chain(1, 2, 3)
    rows[1][2] = "another"
    assert unbroken(rows) == 1
    assert unbroken([chain(1)[0], *chain(1, 2)[1:], chain(3)[0]]) == 2
    assert seal_of([1, 2.5, "a", None], "before") == "42dd3cc3a43fad58"  # as it stands in old files
    assert seal_of([1, "a"]) != seal_of([1, "a"], "before") != seal_of(["1", "a"], "before")
    assert seal_of([b"a"]) != seal_of(["a"])


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


def test_a_newer_logbook_is_read_and_not_written(file: Path, logbook: Logbook) -> None:
    log = logbook.begin(HEAD, SetClock())
    log.step("note", "kind", "key", 1)
    log.end("finished", None)
    logbook.close()
    with closing(sqlite3.connect(file)) as there:
        there.execute("ALTER TABLE session ADD COLUMN newer TEXT")
        there.execute("UPDATE session SET seal = 'made otherwise'")
        there.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
        there.commit()
    before = file.read_bytes()
    with closing(Logbook(file)) as newer:
        assert newer.is_newer
        assert newer.head(HEAD.id) == HEAD
        assert [step.body for step in newer.steps(HEAD.id)] == [1]
        assert [one.id for one in newer.summaries()] == [HEAD.id]
        writes: list[Callable[[], object]] = [
            lambda: newer.begin(named("s-2"), SetClock()),
            lambda: newer.take_up(HEAD.id, SetClock()),
            lambda: newer.close_proposal("p", "applied", "me"),
        ]
        for one in writes:
            with pytest.raises(BenchFault, match=r"newer version \(schema 4, this program knows 3"):
                one()
    assert file.read_bytes() == before
    assert held(file) == []


def test_what_a_newer_version_keeps_elsewhere(file: Path) -> None:
    foreign(
        file, f"PRAGMA application_id = {APPLICATION_ID}",
        f"PRAGMA user_version = {SCHEMA_VERSION + 1}", "CREATE TABLE step(n)",
    )  # fmt: skip
    with closing(Logbook(file)) as newer, pytest.raises(BenchFault, match="no such table"):
        newer.summaries()
    file.unlink()  # before every session in it would be replayed


def test_a_logbook_of_version_1_becomes_one_of_today(file: Path) -> None:
    file.parent.mkdir(parents=True)
    with closing(sqlite3.connect(file, isolation_level=None)) as there:
        schema._execute(there, schema._VERSION_1)
        there.execute("CREATE VIEW reading AS SELECT session, n FROM step")
        there.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        there.execute("PRAGMA user_version = 1")
        values = [
            value if name != "params" else '{"axes": ["x"]}' for name, value in vars(HEAD).items()
        ]
        insert = (
            "INSERT INTO session(id, machine, card, dialect, port, plan, plan_version, params, "
            "tool_version, started_at, ended_at, ended_as, summary) "
            f"VALUES ({', '.join('?' * 13)})"
        )
        there.execute(
            insert,
            [
                *values,
                "2026-03-14T10:15:02+00:00",
                "2026",
                "finished",
                '{"x": {"verdict": "keep"}}',
            ],
        )
        there.execute(insert, ["s-2", *values[1:], "2026-03-14T10:15:03+00:00", None, None, None])
        for n, (phase, kind, body) in enumerate(
            [("intent", "Ask", '{"axis": "x", "n": 1, "at_mm": 1.0, "approach": "plus"}'),
             ("reply", "Value", '{"value": 61.5}')], 1
        ):  # fmt: skip
            there.execute(
                "INSERT INTO step VALUES (?, ?, 1, '2026', 1.25, ?, ?, 'x.1', ?)",
                (HEAD.id, n, phase, kind, body),
            )
        there.execute(
            "INSERT INTO proposal VALUES ('p', ?, 'x', '/p', '0', 'open', NULL)", (HEAD.id,)
        )
    for _ in range(2):
        with closing(Logbook(file)) as logbook:
            assert logbook.set_aside is None
            assert logbook.head(HEAD.id) == HEAD
            assert [one.verdicts for one in logbook.summaries()] == [{}, {"x": "keep"}]
            assert [one.reading_mm for one in logbook.readings(HEAD.id)] == [61.5]
            assert [one.state for one in logbook.proposals(HEAD.id)] == ["open"]
            log = logbook.take_up("s-2", SetClock())
            log.step("note", "kind", "key")


def make_version_2(database: sqlite3.Connection) -> None:
    database.execute("DROP VIEW reading")
    for statement in schema._statements(schema._REST_OF_2):
        if "VIEW reading" in statement:
            database.execute(statement)
    database.execute("PRAGMA user_version = 2")


def test_a_logbook_of_version_2_counts_what_came_out_the_same(file: Path) -> None:
    with closing(Logbook(file)) as logbook:
        log = logbook.begin(HEAD, SetClock())
        read(log, 1, "Value", {"value": 61.5})
        read(log, 2, "Value", {"value": 61.5}, replaces=1)
        log.step("reply", "Value", "x.same-twice", {"value": True})
        log.close()
    with closing(sqlite3.connect(file, isolation_level=None)) as there:
        make_version_2(there)
        assert there.execute("SELECT withdrawn FROM reading").fetchall() == [(1,), (0,)]
    for _ in range(2):
        with closing(Logbook(file)) as logbook:
            assert logbook.set_aside is None
            assert [one.withdrawn for one in logbook.readings(HEAD.id)] == [False, False]


def test_what_is_damaged_in_version_2_is_not_sealed_as_right(file: Path) -> None:
    with closing(Logbook(file)) as logbook:
        for name in ("s-8", "s-9"):
            logbook.begin(named(name), SetClock()).end("finished", None)
    with closing(sqlite3.connect(file, isolation_level=None)) as there:
        there.execute("UPDATE session SET machine = 'Another' WHERE id = 's-8'")
        make_version_2(there)
    Logbook(file).close()  # brings it up to date
    with closing(Logbook(file)) as logbook:
        assert "Could not be read: s-8" in str(logbook.set_aside)
        assert logbook.sessions() == ["s-9"]


def test_another_process_may_have_brought_it_up_to_date() -> None:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as database:
        schema.bring_up_to_date(database, 0)
        before = schema.schema_of(database)
        (changes,) = database.execute("PRAGMA schema_version").fetchone()
        schema.bring_up_to_date(database, SCHEMA_VERSION)
        assert database.execute("PRAGMA schema_version").fetchone() == (changes,)
        assert schema.schema_of(database) == before == schema.schema_as_made()


def test_what_is_no_database_is_set_aside(file: Path) -> None:
    file.parent.mkdir(parents=True)
    raw = b"these are notes, not a database\n" * 100
    file.write_bytes(raw)
    with closing(Logbook(file)) as logbook:
        assert logbook.summaries() == []
        assert logbook.set_aside is not None
    (aside,) = file.parent.glob("logbook.damaged-*")
    assert aside.read_bytes() == raw
    assert f"file is not a database). It is kept as {aside.name}" in logbook.set_aside


def test_what_a_file_with_nothing_in_it_is_taken_for(file: Path) -> None:
    foreign(file, "VACUUM")  # as where a session was killed in its first moment
    assert file.read_bytes().startswith(b"SQLite format 3\0")
    with closing(Logbook(file)) as logbook:
        assert logbook.set_aside is None
    for end in ("", "-wal", "-shm"):
        file.with_name(file.name + end).unlink(missing_ok=True)
    file.write_bytes(b"1")  # for SQLite it is empty, and it is not
    with closing(Logbook(file)) as logbook:
        assert "(it is no database)" in str(logbook.set_aside)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("PRAGMA application_id = 7", "its header does not say what it is"),
        ("PRAGMA user_version = 1", "its header does not say what it is"),
        ("DROP TRIGGER step_is_kept", "its tables are not as they were made"),
    ],
)
def test_a_file_that_is_not_as_it_was_made(
    file: Path, logbook: Logbook, change: str, says: str
) -> None:
    logbook.begin(HEAD, SetClock()).end("finished", None)
    logbook.close()
    with closing(sqlite3.connect(file)) as there:
        there.execute(change)
    with closing(Logbook(file)) as again:
        assert f"({says})" in str(again.set_aside)
        assert again.sessions() == [HEAD.id]


def test_an_empty_file_beside_transcripts_was_emptied(file: Path) -> None:
    (file.parent / "wire").mkdir(parents=True)
    file.touch()
    Logbook(file).close()
    file.unlink()
    file.touch()
    (file.parent / "wire" / "s-1.txt").touch()
    with closing(Logbook(file)) as logbook:
        assert "(it is empty, and there are transcripts of sessions)" in str(logbook.set_aside)


def test_a_file_whose_header_forbids_writing_is_set_aside(file: Path, logbook: Logbook) -> None:
    logbook.begin(HEAD, SetClock()).end("finished", None)
    logbook.close()
    raw = bytearray(file.read_bytes())
    raw[18] = 3  # the version for writing, above those that are known (SQLite's documentation)
    file.write_bytes(raw)
    with closing(Logbook(file)) as again:
        assert "(its header forbids writing)" in str(again.set_aside)
        assert again.sessions() == [HEAD.id]
        assert [path.name for path in file.parent.glob("mending*")] == []


@pytest.mark.parametrize("is_ours", [True, False])
def test_no_file_stays_open(file: Path, monkeypatch: pytest.MonkeyPatch, is_ours: bool) -> None:
    opened: list[sqlite3.Connection] = []
    connect = sqlite3.connect

    def noted(*of: Any, **more: Any) -> sqlite3.Connection:
        opened.append(connect(*of, **more))
        return opened[-1]

    foreign(file, "CREATE TABLE notes(text)")
    if is_ours:
        file.write_bytes(b"these are notes, not a database\n" * 100)
    monkeypatch.setattr(sqlite3, "connect", noted)
    schema.schema_as_made.cache_clear()
    if is_ours:
        with closing(Logbook(file)) as logbook:
            logbook.begin(HEAD, SetClock())
    else:
        with pytest.raises(BenchFault, match="of another program"):
            Logbook(file)
    assert len(opened) > (4 if is_ours else 1)
    for one in opened:
        with pytest.raises(sqlite3.ProgrammingError, match="closed"):
            one.execute("SELECT 1")


# --- files too large to be looked at whole ----------------------------------------------


@pytest.fixture
def large(file: Path, logbook: Logbook) -> Path:
    """A file with one session, a step, a reading and a proposal in it."""
    log = logbook.begin(HEAD, SetClock())
    read(log, 1, "Value", {"value": 61.5})
    log.proposal("p-1", "x", Path("p"), "0")
    log.end("finished", None)
    logbook.close()
    return file


READS: dict[str, Callable[[Logbook], object]] = {
    "summaries": lambda logbook: logbook.summaries(),
    "summary": lambda logbook: logbook.summary(HEAD.id),
    "head": lambda logbook: logbook.head(HEAD.id),
    "ending": lambda logbook: logbook.ending(HEAD.id),
    "steps": lambda logbook: logbook.steps(HEAD.id),
    "readings": lambda logbook: logbook.readings(HEAD.id),
    "proposals": lambda logbook: logbook.proposals(HEAD.id),
}


@pytest.mark.parametrize(
    ("change", "refused"),
    [
        ("UPDATE session SET brief = '{}'", {"summaries", "summary"}),
        ("UPDATE session SET card = 'another'", {"head", "ending"}),
        ("UPDATE step SET body = '{}' WHERE n = 3", {"steps", "readings"}),
        ("UPDATE proposal SET state = 'applied'", {"proposals"}),
    ],
)
def test_a_record_is_looked_at_when_it_is_read(large: Path, change: str, refused: set[str]) -> None:
    with closing(sqlite3.connect(large, isolation_level=None)) as there:
        (trigger,) = there.execute("SELECT sql FROM sqlite_master WHERE name = 'step_is_final'")
        there.execute("DROP TRIGGER step_is_final")
        there.execute(change)
        there.execute(*trigger)
    size = large.stat().st_size
    with closing(Logbook(large, largest_checked_bytes=size - 1)) as logbook:
        assert logbook.set_aside is None  # the pages are whole
        for name, look in READS.items():
            if name not in refused:
                look(logbook)
                continue
            with pytest.raises(BenchFault, match=f"session {HEAD.id} is not what was written"):
                look(logbook)
    with closing(Logbook(large, largest_checked_bytes=size)) as logbook:
        assert "is not as it was written)" in str(logbook.set_aside)


@pytest.mark.parametrize("check_pages", [False, True])
def test_the_pages_of_a_large_file_are_looked_at_on_demand(large: Path, check_pages: bool) -> None:
    with closing(sqlite3.connect(large)) as there:
        query = "SELECT rootpage FROM sqlite_master WHERE name = 'proposal'"
        (page,) = there.execute(query).fetchone()
        (page_bytes,) = there.execute("PRAGMA page_size").fetchone()
    raw = bytearray(large.read_bytes())
    raw[(page - 1) * page_bytes] = 0  # says what kind of page it is; there is no kind 0
    large.write_bytes(raw)
    with closing(Logbook(large, largest_checked_bytes=0, check_pages=check_pages)) as logbook:
        assert (logbook.set_aside is not None) == check_pages
        assert logbook.sessions() == [HEAD.id]


def test_a_damaged_logbook_stays_while_it_is_written(file: Path) -> None:
    file.parent.mkdir(parents=True)
    file.write_bytes(b"these are notes, not a database\n" * 100)
    hold = Hold(file, "s-1")
    with pytest.raises(BenchFault, match=r"is damaged .*session s-1 is being written into it"):
        Logbook(file)
    hold.close()
    Logbook(file).close()
    file.write_bytes(b"again")
    with closing(Logbook(file)):
        assert len(list(file.parent.glob("logbook.damaged-*.db"))) == 2


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
        lambda: logbook.begin(named("s-2"), SetClock()),
        lambda: logbook.summaries(),
    ):
        with pytest.raises(BenchFault, match="free space"):
            write()
    assert held(logbook.path) == []


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
