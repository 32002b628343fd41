"""A disk that fails at the k-th statement, for every k, and one that is full.

What was acknowledged is there afterwards, nothing else is, and the logbook goes on. In a
session motion stops first; the whole of that is ``python tests/bench/logbook_disk.py``.
"""

from __future__ import annotations

import io
from contextlib import closing, suppress
from pathlib import Path

import pytest
from disks import Disk, failing
from fakes import SetClock

from tuner.card.read import parse_card
from tuner.commands import live
from tuner.console.plain import HandsOff
from tuner.errors import BenchFault, InputFault
from tuner.rehearsal.faults import card_text
from tuner.rehearsal.hands import Hands
from tuner.session.hold import held
from tuner.session.logbook import Logbook, SessionHead
from tuner.wire.port import Port
from tuner.wire.transcript import Sort, parse

HEAD = SessionHead(
    id="s-1", machine="Test slide", card="card", dialect="dialect", port="none", plan="test",
    plan_version=1, params={}, tool_version="0",
)  # fmt: skip
FAULTS = [
    pytest.param(Disk(after=False, for_good=True), id="before it, and ever after"),
    pytest.param(Disk(after=True), id="after it, once"),
]


def live_through(path: Path, acknowledged: list[str]) -> None:
    """Write a short life of a logbook; `acknowledged` has what it took, in order."""
    with closing(Logbook(path)) as logbook:
        log = logbook.begin(HEAD, SetClock())
        acknowledged.append("begun")
        for n in range(4):
            with suppress(BenchFault):  # a session goes on telling what it can
                log.step("note", "kind", "key", n)
                acknowledged.append(f"step {n}")
        log.proposal("p-1", "x", Path("p"), "0")
        acknowledged.append("proposal")
        logbook.close_proposal("p-1", "applied", "me")
        acknowledged.append("closed")
        log.end("stopped", None)
        acknowledged.append("ended")
        log = logbook.take_up("s-1", SetClock())
        acknowledged.append("taken up")
        log.step("note", "kind", "key", 4)
        acknowledged.append("step 4")
        log.end("finished", None)
        acknowledged.append("finished")


@pytest.mark.parametrize("kind", FAULTS)
def test_what_was_acknowledged_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: Disk
) -> None:
    whole = Disk()
    Logbook(tmp_path / "first" / "logbook.db").close()  # so that nothing is counted twice
    with failing(monkeypatch, whole):
        live_through(tmp_path / "whole" / "logbook.db", [])
    assert whole.statements > 40
    reached = set()
    for k in range(1, whole.statements + 1):
        path = tmp_path / str(k) / "logbook.db"
        acknowledged: list[str] = []
        disk = Disk(k, kind.after, kind.for_good)
        with (
            failing(monkeypatch, disk),
            suppress(BenchFault),
        ):
            live_through(path, acknowledged)
        reached.add(len(acknowledged))
        assert disk.statements >= k
        assert held(path) == []
        with closing(Logbook(path)) as logbook:
            _check(logbook, acknowledged, k)
    assert len(reached) > 8


def _check(logbook: Logbook, acknowledged: list[str], k: int) -> None:
    assert logbook.set_aside is None, k
    there = logbook.sessions()
    assert there == ["s-1"] if "begun" in acknowledged else there in ([], ["s-1"])
    if not there:
        logbook.begin(HEAD, SetClock()).step("note", "kind", "key")
        return
    steps = logbook.steps("s-1")
    typed = [f"step {one.body}" for one in steps if one.kind == "kind"]
    assert set(acknowledged) & {f"step {n}" for n in range(5)} <= set(typed)
    assert len(typed) == len(set(typed))
    assert typed == sorted(typed)
    assert [one.n for one in steps] == [*range(1, len(steps) + 1)]
    if "closed" in acknowledged:
        assert [one.state for one in logbook.proposals("s-1")] == ["applied"]
    elif "proposal" in acknowledged:
        assert len(logbook.proposals("s-1")) == 1
    if "finished" in acknowledged:
        assert logbook.ending("s-1")[0] == "finished"
    elif "ended" in acknowledged:
        endings = [logbook.ending("s-1")[0], *(one.body for one in steps if one.kind == "ended")]
        assert any(one not in (None, "finished") for one in endings)
    log = logbook.take_up("s-1", SetClock())
    log.step("note", "later", "key")
    log.end("finished", None)
    assert logbook.steps("s-1")[-1].kind == "later"


def test_a_full_disk(tmp_path: Path) -> None:
    path = tmp_path / "logbook.db"
    logbook = Logbook(path)
    log = logbook.begin(HEAD, SetClock())
    (pages,) = logbook._database.execute("PRAGMA page_count").fetchone()
    logbook._database.execute(f"PRAGMA max_page_count = {pages + 4}")
    written = 0
    with pytest.raises(BenchFault, match=r"full.*free space"):
        while True:
            log.step("note", "kind", "key", "a long text " * 20)
            written += 1
    assert written > 10
    assert len(logbook.steps("s-1")) == written
    logbook._database.execute(f"PRAGMA max_page_count = {pages + 100}")  # room was made
    log.step("note", "kind", "key", "last")
    log.end("stopped", None)
    logbook.close()
    with closing(Logbook(path)) as again:
        assert again.set_aside is None
        assert len(again.steps("s-1")) == written + 1
    with closing(Logbook(path)) as again, pytest.raises(InputFault):
        again.take_up("s-2", SetClock())


# --- in a session -----------------------------------------------------------------------


def session_on(home: Path) -> tuple[int, str, str]:
    """Run a whole session of one axis by itself; return exit status, output and the stop word."""
    card = parse_card(card_text(), "card")
    port = Port.open("rehearse://bench-mule?seed=1&pace=instant", card.baud)
    hands = Hands(port.machine, 1)
    setup = live.Bench(
        home, card, live.dialect_of(card, None), ("x",), port.url, False, port.clock, lambda: port
    )
    out = io.StringIO()
    person = HandsOff(hands.answer, out)
    status = 1
    with suppress(BenchFault):
        status = live.run_session(setup, person, person)
    stop = setup.dialect.stop
    return status, out.getvalue(), "" if stop is None else stop.line


def check_session(home: Path, monkeypatch: pytest.MonkeyPatch, disk: Disk) -> bool:
    """Run a session on `disk`, hold it to the promise, return whether it was caught moving."""
    with failing(monkeypatch, disk):
        status, said, stop_word = session_on(home)
    assert disk.statements >= disk.fails_at
    assert status == 1
    transcripts = [*(home / "wire").glob("*.txt")]
    if not transcripts:
        return False
    records = [one for one in parse(transcripts[0]) if one.sort is not Sort.RECEIVED]
    moves = [n for n, one in enumerate(records) if one.sort is Sort.SENT and "G1 " in one.text]
    if not moves:
        return False
    after = records[moves[-1] + 1 :]
    assert "where-things-stand" in said or "NOTE heaters" in said
    if any(one.text.startswith("MOVED ") for one in after):
        return False
    assert stop_word in [one.text for one in after if one.sort is Sort.SENT]
    return True


# The statements of a session of one axis; a fault at the very first is one of the logbook alone.
STATEMENTS = range(70, 900, 59)


@pytest.mark.parametrize("k", STATEMENTS)
def test_a_session_on_a_disk_that_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, k: int
) -> None:
    check_session(tmp_path, monkeypatch, Disk(k, for_good=bool(k % 2)))


def test_a_disk_that_fails_while_something_moves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = Disk()
    with failing(monkeypatch, disk):
        session_on(tmp_path / "whole")
    caught = [
        check_session(tmp_path / str(k), monkeypatch, Disk(k, for_good=True))
        for k in range(disk.statements // 2 - 12, disk.statements // 2)
    ]
    assert any(caught)
