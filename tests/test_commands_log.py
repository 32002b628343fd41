"""``tuner log``: what is listed, shown and exported, of sessions that were really held."""

from __future__ import annotations

import csv
import io
import json
import re
import sqlite3
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from fakes import CARD_TEXT, SetClock
from hostile import TEXTS, offences

from tuner.__main__ import main
from tuner.cli import run
from tuner.errors import InputFault, UsedWrongly
from tuner.metrology.table import read_table
from tuner.rehearsal.faults import card_text
from tuner.session.logbook import Logbook, SessionHead, SessionLog


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one session of two axes."""
    home = tmp_path_factory.mktemp("rehearsed")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(sys, "stdout", io.StringIO())
        axes = ["--axis", "x", "--axis", "y"]
        assert run(["rehearse", "--hands-off", "--home", str(home), *axes]) == 0
    return home


def printed(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert run([*arguments]) == 0
    return capsys.readouterr().out


def as_json(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    (line,) = printed(capsys, *arguments).splitlines()
    report = json.loads(line)
    assert report["schema"] == 1
    return dict(report)


def head(session: str, machine: str = "Test slide", **changes: Any) -> SessionHead:
    values: dict[str, Any] = {
        "id": session, "machine": machine, "card": CARD_TEXT, "dialect": "", "port": "none",
        "plan": "test", "plan_version": 1, "params": {"axes": ["x", "y"]}, "tool_version": "0",
    }  # fmt: skip
    return SessionHead(**{**values, **changes})


def read(log: SessionLog, axis: str, n: int, reading_mm: float | None, **asked: Any) -> None:
    body = {"axis": axis, "n": n, "at_mm": 10.0 * n, "approach": "plus", **asked}
    log.step("intent", "Ask", f"{axis}.{n}", body)
    kind, answer = ("Undo", None) if reading_mm is None else ("Value", {"value": reading_mm})
    log.step("reply", kind, f"{axis}.{n}", answer)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A folder with sessions of two machines that ended in every way there is."""
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        log = logbook.begin(head("s-1"), SetClock(1000.5))
        log.step("intent", "Confirm", "x.holds", {})
        log.step("reply", "Value", "x.holds", {"value": True})
        read(log, "x", 1, 61.5)
        read(log, "x", 2, 71.25)
        read(log, "x", 3, None)
        read(log, "x", 2, 71.5, block_mm=50.0, visit=2)
        log.step("note", "refused", "refused", "not a length " * 9)
        log.step("intent", "Decided", "x.fit", {})
        log.step("reply", "Value", "x.fit", {"value": [1.0] * 50})
        read(log, "y", 1, 80.0)
        log.step("intent", "Approach", "y.far.1", {})
        for phase in ("caution", "consent", "sent"):
            log.step(phase, "any", "y.far.1", "text")
        log.step("lost", "position", "y.far.1", "y")
        log.end("port-lost", None)
        logbook.begin(head("s-2", "Other machine"), SetClock()).end(
            "finished", {"x": {"verdict": "keep", "scale": None, "next": "leave it"}}
        )
        log = logbook.begin(head("s-3"), SetClock())
        log.step("intent", "Text", "x.job", {})
        log.close()  # as a killed process does
    return tmp_path


# --- all sessions -----------------------------------------------------------------------


def test_sessions_by_machine_the_newest_first(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = printed(capsys, "log", "--home", str(home)).splitlines()
    shown = [re.split("  +", line.strip()) for line in lines]
    columns = ["session (UTC)", "job", "kind", "ended", "found"]
    assert shown == [
        ["Test slide"], columns, ["s-3", "-", "test", "not ended", "x -, y -"],
        ["s-1", "-", "test", "port-lost", "x -, y -"], [""],
        ["Other machine"], columns, ["s-2", "-", "test", "finished", "x keep, y -"],
    ]  # fmt: skip
    report = as_json(capsys, "log", "--json", "--home", str(home))
    assert [(one["id"], one["machine"], one["ended_as"]) for one in report["sessions"]] == [
        ("s-3", "Test slide", None), ("s-2", "Other machine", "finished"),
        ("s-1", "Test slide", "port-lost"),
    ]  # fmt: skip
    assert report["sessions"][1]["verdicts"] == {"x": "keep"}
    assert [one["running"] for one in report["sessions"]] == [False, False, False]


def test_a_rehearsal_and_the_check_of_a_change_are_named_as_such(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        found = {"axis": "x", "verdict": "keep", "next": "leave it"}
        checked = {"proposal": "p", "outcome": "confirmed", "finding": found}
        one = head("s-1", plan="check", port="rehearse://bench-mule", params={"axes": ["x"]})
        logbook.begin(one, SetClock()).end("finished", checked)
    (machine, _, line) = printed(capsys, "log", "--home", str(tmp_path)).splitlines()
    assert machine == "Test slide, simulated"
    assert line.split() == ["s-1", "-", "check", "finished", "x", "confirmed"]
    assert printed(capsys, "log", "s-1", "--home", str(tmp_path)).startswith(
        "session s-1, Test slide, simulated\n"
    )


@pytest.fixture
def jobs(tmp_path: Path) -> Path:
    """A folder with a job of three sessions, one of an intake alone that was left, and another."""
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        for n, (plan, params) in enumerate(
            [("intake", {}), ("bench", {"quick": True, "job": "A-17"}), ("bench", {"job": "A-17"})]
        ):
            one = head(f"2026031{n}-100000-slide", plan=plan, params={"axes": ["x"], **params})
            result = {"job": "A-17"} if plan == "intake" else {"x": {"verdict": "keep"}}
            logbook.begin(one, SetClock()).end("finished", result)
        log = logbook.begin(head("20260320-100000-slide", plan="intake"), SetClock())
        log.step("intent", "Text", "job.number", {})
        log.step("reply", "Value", "job.number", {"value": "B 2"})
        log.close()
        one = head("20260321-100000-slide", "Mule", plan="lost-steps", port="rehearse://m")
        logbook.begin(one, SetClock()).end("finished", {})
    return tmp_path


def test_job_and_kind_of_each_session(jobs: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = printed(capsys, "log", "--home", str(jobs)).splitlines()
    assert [re.split("  +", line.strip()) for line in lines] == [
        ["Mule, simulated"], ["session (UTC)", "job", "kind", "ended", "found"],
        ["20260321-100000", "-", "lost-steps", "finished", "x -, y -"], [""],
        ["Test slide"], ["session (UTC)", "job", "kind", "ended", "found"],
        ["20260320-100000", "B 2", "intake", "not ended", "x -, y -"],
        ["20260312-100000", "A-17", "measure", "finished", "x keep"],
        ["20260311-100000", "A-17", "quick", "finished", "x keep"],
        ["20260310-100000", "A-17", "intake", "finished", "x -"],
    ]  # fmt: skip
    assert max(map(len, lines)) < 80


def test_the_number_of_a_job_is_a_name(jobs: Path, capsys: pytest.CaptureFixture[str]) -> None:
    at = ["--home", str(jobs)]
    lines = printed(capsys, "log", "A-17", *at).splitlines()
    assert [line.split()[0] for line in lines[2:]] == [
        "20260312-100000", "20260311-100000", "20260310-100000",
    ]  # fmt: skip
    report = as_json(capsys, "log", "A-17", "--json", *at)
    assert [one["kind"] for one in report["sessions"]] == ["measure", "quick", "intake"]
    text = printed(capsys, "log", "B 2", *at)
    assert text.startswith("session 20260320-100000-slide, Test slide\n")
    assert re.search(r"\n  job +B 2\n  kind +intake\n", text)
    assert as_json(capsys, "log", "B 2", "--json", *at)["job"] == "B 2"
    with pytest.raises(UsedWrongly, match="job A-17 has 3 sessions, the newest first: 20") as no:
        run(["log", "export", "A-17", *at])
    assert "(Test slide, quick, X, job A-17)" in str(no.value)
    assert "tuner log export SESSION" in str(no.value)
    with pytest.raises(InputFault, match=r"no session and no job a17 .*; nearest: A-17; tuner"):
        run(["log", "a17", *at])


def test_a_damaged_intake_is_listed_without_its_job(
    jobs: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tuner.commands.log._LARGEST_CHECKED_BYTES", 0)
    flip(jobs / "logbook.db", b"B 2")
    lines = printed(capsys, "log", "--home", str(jobs)).splitlines()
    assert "20260320-100000   -      intake" in "".join(lines)


def test_a_session_that_is_being_written(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with closing(Logbook(home / "logbook.db")) as logbook:
        logbook.take_up("s-3", SetClock())
        assert "   is being written   x -, y -" in printed(capsys, "log", "--home", str(home))
        assert as_json(capsys, "log", "s-3", "--json", "--home", str(home))["running"] is True
        assert as_json(capsys, "log", "s-1", "--json", "--home", str(home))["running"] is False


def test_no_session_yet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["log", "--home", str(tmp_path / "none")]
    assert "tuner rehearse tries one" in printed(capsys, *arguments)
    assert as_json(capsys, *arguments, "--json")["sessions"] == []
    assert not (tmp_path / "none").exists()
    for more in (["s-1"], ["last"]):
        with pytest.raises(InputFault, match=r"there is no logbook at .*--home"):
            run([*arguments, *more])
    Logbook(tmp_path / "logbook.db").close()
    assert "tuner rehearse tries one" in printed(capsys, "log", "--home", str(tmp_path))


# --- one session ------------------------------------------------------------------------


def test_one_session(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = printed(capsys, "log", "--home", str(home), "s-1")
    parts = text.split("\n\n")
    assert parts[0].startswith("session s-1, Test slide\n")
    assert "  ended        port-lost on 20" in parts[0]
    for name in ("cautions", "consents", "lines sent"):
        assert f"  {name:<12} 1" in parts[0]
    assert [line.split() for line in parts[1].splitlines()] == [
        ["what", "was", "done"], ["0.0", "s", "Confirm", "x.holds", "true"],
        ["0.0", "s", "Reading", "x.1", "61.5"], ["0.0", "s", "Reading", "x.2", "71.25"],
        ["0.0", "s", "Reading", "x.3", "undo"], ["0.0", "s", "Reading", "x.2", "71.5"],
        ["0.0", "s", "refused", "refused", *["not", "a", "length"] * 4, "not", "a", "l…"],
        ["0.0", "s", "Reading", "y.1", "80.0"], ["0.0", "s", "position", "y.far.1", "y"],
        ["0.0", "s", "Approach", "y.far.1", "no", "answer"],
    ]  # fmt: skip
    assert [line.split() for line in parts[2].splitlines()[2:]] == [
        ["x", "1", "10.0000", "61.500", "plus", "1", "1000.5"],
        ["x", "2", "20.0000", "71.250", "plus", "1", "1000.5", "taken", "back"],
        ["x", "2", "20.0000", "71.500", "+", "50", "plus", "2", "1000.5"],
        ["y", "1", "10.0000", "80.000", "plus", "1", "1000.5"],
    ]  # fmt: skip
    assert len(parts) == 3
    assert "x: keep. Next: leave it" in printed(capsys, "log", "s-2", "--home", str(home))
    assert "x.job   no answer" in printed(capsys, "log", "last", "--home", str(home))


def test_times_count_from_the_beginning_of_each_run(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with closing(Logbook(home / "logbook.db")) as logbook:
        clock = SetClock(500.0)
        log = logbook.take_up("s-3", clock)
        log.step("intent", "Text", "x.job", {})
        clock.at_s = 512.5
        log.step("note", "late", "x.job", 1.5)
        log.end("stopped", None)
    text = printed(capsys, "log", "s-3", "--home", str(home))
    assert "  0.0 s    Text   x.job   no answer\n  12.5 s   late   x.job   1.5" in text
    assert "  runs         2\n" in text


def test_how_a_machine_was_left_is_said_in_words(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with closing(Logbook(home / "logbook.db")) as logbook:
        log = logbook.take_up("s-3", SetClock())
        for confirmed in (True, False):
            log.step("note", "heaters-left", "heaters-left", confirmed)
        for left in (None, {"in_a_move": True, "heaters_on": True}):
            log.step("lost", "interrupted", "x.job", left)
        log.end("stopped", None)
    text = printed(capsys, "log", "s-3", "--home", str(home))
    assert [" ".join(line.split()[3:]) for line in text.splitlines() if "0.0 s" in line][:4] == [
        "heaters-left confirmed off", "heaters-left not confirmed off", "x.job taken up again",
        "x.job taken up again, left in a move, heaters not confirmed off",
    ]  # fmt: skip


def test_what_was_rehearsed(rehearsed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = printed(capsys, "log", "--home", str(rehearsed), "last")
    report = as_json(capsys, "log", "--home", str(rehearsed), "last", "--json")
    assert f"session {report['id']}, Bench mule, simulated\n" in text
    assert report["verdicts"] == {"x": "change", "y": "keep"}
    assert report["findings"]["x"]["verdict"] == "change"
    assert re.search(r"\n  x: change, true / commanded travel 0\.(8|79)", text)
    assert [one["file"] for one in report["proposals"]] == ["as written", "as written"]
    assert text.count("open   file as written") == 2
    (transcript,) = rehearsed.glob("wire/*.txt")
    assert report["transcript"] == str(transcript)
    assert f"  {transcript}\n" in text
    for proposal in rehearsed.glob("proposals/*.toml"):
        assert f"  {proposal}\n" in text
    assert report["cautions"] >= report["consents"] > 10
    assert len(report["readings"]) > 10


def test_every_run_has_its_transcript(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for _ in range(10):
        with closing(Logbook(home / "logbook.db")) as logbook:
            log = logbook.take_up("s-1", SetClock())
            log.step("note", "late", "x.1", 1.5)
            log.end("stopped", None)
    names = [f"s-1{run}.txt" for run in ("", "-run2", "-run10", "-run11")]
    (home / "wire").mkdir()
    for name in (*names, "s-1-run12.txt", "s-1-run2-2.txt", "s-10.txt"):  # the rest are not its own
        (home / "wire" / name).write_text("")
    paths = [str(home / "wire" / name) for name in names]
    text = printed(capsys, "log", "s-1", "--home", str(home))
    assert text.split("\nfiles\n")[1].split() == paths
    report = as_json(capsys, "log", "s-1", "--json", "--home", str(home))
    assert report["transcripts"] == paths
    assert report["transcript"] == paths[0]
    (home / "wire" / "s-1.txt").unlink()
    report = as_json(capsys, "log", "s-1", "--json", "--home", str(home))
    assert (report["transcript"], report["transcripts"]) == (None, paths[1:])


def test_a_proposal_that_is_not_as_it_was(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = home / "p-1.toml"
    with closing(Logbook(home / "logbook.db")) as logbook:
        log = logbook.take_up("s-1", SetClock())
        log.proposal("p-1", "x", file, "ab" * 32)
        log.end("stopped", None)
        logbook.close_proposal("p-1", "rejected", "me")
    arguments = ["log", "s-1", "--home", str(home)]
    assert "p-1   x   rejected   file not there" in printed(capsys, *arguments)
    file.write_text("something else", encoding="utf-8")
    assert "p-1   x   rejected   file changed since" in printed(capsys, *arguments)
    (proposal,) = as_json(capsys, *arguments, "--json")["proposals"]
    assert (proposal["state"], proposal["closed_by"]) == ("rejected", "me")


# --- export -----------------------------------------------------------------------------


def test_a_table_that_examine_reads(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = printed(capsys, "log", "export", "s-1", "--axis", "x", "--home", str(home))
    assert text.splitlines() == [
        "# session s-1, axis x",
        "commanded_mm,reading_mm,approach,time_s,visit",
        "10.0,61.5,plus,1000.5,1",
        "# taken back: 20.0,71.25,plus,1000.5,1",
        "20.0,121.5,plus,1000.5,2",  # with its block
    ]
    table = tmp_path / "x.csv"
    table.write_text(text, encoding="utf-8")
    columns = read_table(table)
    assert columns.reading_mm.tolist() == [61.5, 121.5]
    assert columns.visit.tolist() == [1, 2]


def test_what_was_rehearsed_is_examined(
    rehearsed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = ["--home", str(rehearsed)]
    report = as_json(capsys, "log", "last", "--json", *home)
    text = printed(capsys, "log", "export", *home, "last", "--axis", "x", "--format", "csv")
    rows = [*csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))]
    readings = [one for one in report["readings"] if one["axis"] == "x" and not one["withdrawn"]]
    assert [float(one["reading_mm"]) for one in rows] == [one["reading_mm"] for one in readings]
    table = tmp_path / "x.csv"
    table.write_text(text, encoding="utf-8")
    examined = as_json(capsys, "examine", str(table), "--json")
    assert examined["n"] == len(readings)
    assert text.splitlines()[0].endswith(", axis x, caliper depth-rod")
    (tmp_path / "card.toml").write_text(card_text("bench-mule"), encoding="utf-8")
    told = ["examine", str(table), "--card", str(tmp_path / "card.toml")]
    assert "axis X of Bench mule" in printed(capsys, *told)
    table.write_text(text.replace("depth-rod", "outside-jaws"), encoding="utf-8")
    assert "; outside jaws: " in printed(capsys, *told)
    assert "; inside jaws: " in printed(capsys, *told, "--placed", "inside-jaws")
    assert "axis Y of" in printed(capsys, *told, "--axis", "y")
    assert examined["scale"]["value"] == pytest.approx(0.8, abs=0.002)


def test_what_came_out_the_same_when_read_again_counts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    at = ["--home", str(tmp_path)]
    run(["rehearse", "--hands-off", "--fault", "belt-jump", "--axis", "x", *at])
    capsys.readouterr()
    report = as_json(capsys, "log", "last", "--json", *at)
    (again,) = [one for one in report["readings"] if one["key"].startswith("x.again.")]
    (first,) = [one for one in report["readings"] if f"x.again.{one['number']}" == again["key"]]
    assert (first["withdrawn"], again["withdrawn"]) == (False, False)
    assert "taken back" not in printed(capsys, "log", "last", *at)
    text = printed(capsys, "log", "export", "last", *at)
    table = tmp_path / "x.csv"
    table.write_text(text, encoding="utf-8")
    assert len(read_table(table).reading_mm) == report["findings"]["x"]["n"]


def test_everything_as_json(rehearsed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    report = as_json(capsys, "log", "export", "last", "--home", str(rehearsed), "--format", "json")
    with closing(Logbook(rehearsed / "logbook.db")) as logbook:
        session = logbook.find("last")
        assert report["card"] == logbook.head(session).card
        assert [one["body"] for one in report["steps"]] == [
            json.loads(json.dumps(one.body)) for one in logbook.steps(session)
        ]
        assert len(report["readings"]) == len(logbook.readings(session))
        assert report["findings"] == logbook.ending(session)[1]
    assert report["ended_as"] == "finished"
    assert report["started_at"] <= report["ended_at"]
    assert len(report["proposals"]) == 2


@pytest.mark.parametrize(
    ("arguments", "kind", "says"),
    [
        (["export", "s-1"], UsedWrongly, "has readings of x, y; expected one of them with --axis"),
        (["export", "s-1", "--axis", "z"], InputFault, "no readings of axis z; it has x, y"),
        (["export", "s-2"], InputFault, "session s-2 has no readings"),
        (["export", "s-1", "--axis", "x", "--format", "json"], UsedWrongly, "--format csv"),
        (["export", "s"], InputFault, "several sessions begin with s: s-1, s-2, s-3; give more"),
        (["export", "none"], InputFault, "there is no session and no job none"),
        (["none"], InputFault, "there is no session and no job none"),
    ],
)
def test_what_cannot_be_shown(
    home: Path, arguments: list[str], kind: type[Exception], says: str
) -> None:
    with pytest.raises(kind, match=says):
        run(["log", *arguments, "--home", str(home)])


def test_one_axis_needs_no_name(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with closing(Logbook(home / "logbook.db")) as logbook:
        log = logbook.take_up("s-3", SetClock())
        read(log, "z", 1, 10.0)
        log.close()
    text = printed(capsys, "log", "export", "last", "--home", str(home))
    assert text.splitlines()[-1] == "10.0,10.0,plus,0.0,1"


# --- files that are not as they were ----------------------------------------------------


def flip(path: Path, text: bytes) -> None:
    """Change one letter of `text` where it stands in the file."""
    raw = bytearray(path.read_bytes())
    raw[raw.rindex(text)] ^= 1
    path.write_bytes(raw)


def test_a_damaged_logbook(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    flip(home / "logbook.db", b"leave it")
    assert run(["log", "--home", str(home)]) == 0
    out, err = capsys.readouterr()
    assert err.startswith("tuner: the logbook was damaged (session s-2 is not as it was written)")
    assert "Could not be read: s-2" in err
    assert "s-1" in out
    assert len([*home.glob("logbook.damaged-*.db")]) == 1
    assert "damaged" not in printed(capsys, "log", "s-1", "--home", str(home)).split("\n\n")[0]


def test_a_large_logbook_is_looked_at_where_it_is_read(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tuner.commands.log._LARGEST_CHECKED_BYTES", 0)
    flip(home / "logbook.db", b"not a length")
    at = ["--home", str(home)]
    assert "s-1" in printed(capsys, "log", *at)
    assert "s-2" in printed(capsys, "log", "s-2", *at)
    monkeypatch.setattr(sys, "argv", ["tuner", "log", "s-1", *at])
    assert main() == 1
    assert "session s-1 is not what was written: the file is damaged. tuner log --check" in (
        capsys.readouterr().err
    )
    assert run(["log", "--check", *at]) == 0
    out, err = capsys.readouterr()
    assert "Later steps may be missing: " in err
    assert "s-1 up to step " in err
    assert "damaged: later steps may be missing" in out


def test_a_newer_logbook(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with closing(sqlite3.connect(home / "logbook.db")) as there:
        there.execute("ALTER TABLE step ADD COLUMN newer TEXT")
        there.execute("PRAGMA user_version = 99")
    assert run(["log", "s-1", "--home", str(home)]) == 0
    out, err = capsys.readouterr()
    assert "was written by a newer version" in err
    assert "61.500" in out


def test_nothing_in_a_logbook_acts_on_a_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    texts = [text for text in TEXTS if not re.search("[\ud800-\udfff\0]", text)]
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        for n, text in enumerate(texts):
            named = head(f"{n} {text}", text, port=text, plan=text, params={"axes": [text]})
            log = logbook.begin(named, SetClock())
            log.step("note", text, text, text)
            read(log, text, 1, 5.0)
            log.proposal(f"{n} {text}", text, tmp_path / f"{n}", text)
            log.end(text, {text: {"verdict": text, "next": text}})
    printed_all = printed(capsys, "log", "--home", str(tmp_path))
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        sessions = logbook.sessions()
    for session in sessions:
        printed_all += printed(capsys, "log", "--home", str(tmp_path), "--", session)
        printed_all += printed(capsys, "log", "export", "--home", str(tmp_path), "--", session)
    assert len(printed_all) > 10_000
    assert offences(printed_all, line_ends=True) == []


def test_a_check_and_an_intake_are_shown(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = {"axis": "x", "verdict": "keep", "next": "leave it"}
    came_in = {"job": "7", "complaint": "too small", "by": ""}
    with closing(Logbook(home / "logbook.db")) as logbook:
        log = logbook.begin(head("c-1", params={"axes": ["x"]}), SetClock())
        log.end("finished", {"proposal": "p-1", "outcome": "confirmed", "finding": kept})
        logbook.begin(head("i-1", params={"axes": []}), SetClock()).end("finished", came_in)
    at = ["--home", str(home)]
    text = printed(capsys, "log", "c-1", *at)
    assert "\nfindings\n  x: confirmed. Next: leave it\n  proposal p-1: confirmed\n" in text
    text = printed(capsys, "log", "i-1", *at)
    assert [line.split(maxsplit=1) for line in text.split("what came in\n")[1].splitlines()] == [
        ["complaint", "too small"], ["job", "7"]
    ]  # fmt: skip
    listed = printed(capsys, "log", *at)
    assert re.search(r"c-1 .* finished +x confirmed", listed)
