"""A proposal by its name, what is said at the end of a session, and that it works as it stands."""

from __future__ import annotations

import io
import shlex
import shutil
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from fakes import SetClock
from test_commands_log import head

from tuner.cli import run
from tuner.commands.live import Bench
from tuner.commands.proposals import open_changes, proposal_file
from tuner.errors import BadFile, UsedWrongly
from tuner.messages import Line
from tuner.session.logbook import Logbook
from tuner.wire.port import MonotonicClock

BEGIN = ("rehearse", "--hands-off", "--fault", "pulley-teeth", "--axis", "y", "--seed", "2")


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A folder with one proposal of a change, and what its session printed."""
    home, printed = tmp_path_factory.mktemp("proposed"), io.StringIO()
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(sys, "stdout", printed)
        assert run([*BEGIN, "--job", "A-17", "--home", str(home)]) == 0
    return home, printed.getvalue()


@pytest.fixture
def home(said: tuple[Path, str], tmp_path: Path) -> Path:
    return Path(shutil.copytree(said[0], tmp_path / "home"))


def outcome(home: Path) -> str:
    with closing(Logbook(home / "logbook.db")) as logbook:
        (proposal,) = open_changes(home) or [
            one for name in logbook.sessions() for one in logbook.proposals(name)
        ]
        return proposal.state


def test_the_end_of_a_session_says_what_to_do_and_what_to_type(
    said: tuple[Path, str], home: Path
) -> None:
    there, text = said
    lines = [line for line in text.splitlines() if line.startswith("NOTE after.")]
    (markdown,) = there.glob("proposals/*-y.md")
    read, typed, check = (line.partition(" | ")[2] for line in lines)
    assert read.endswith(f"how to go back: {markdown}")
    assert "type the number for Y into the controller by hand" in typed
    words = shlex.split(check.partition(": ")[2])
    assert words == [
        "tuner", "rehearse", "--machine", "bench-mule", "--fault", "pulley-teeth", "--axis", "y",
        "--seed", "2", "--hands-off", "--check", markdown.stem, "--job", "A-17",
        "--home", str(there),
    ]  # fmt: skip
    assert text.splitlines()[-1] == "END exit=0"
    assert run([*words[1:-1], str(home)]) == 0
    assert outcome(home) == "confirmed"


def test_a_look_that_was_not_taken_comes_before_the_number(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tuner.rehearsal.hands.Hands._looked", lambda *_: "unsure")
    assert run([*BEGIN, "--home", str(tmp_path)]) == 0
    said = [one for one in capsys.readouterr().out.splitlines() if one.startswith("NOTE after.")]
    assert "nobody has seen yet why Y is off. First, power off and unplugged: count the" in said[1]
    assert "if you agree, type the number for Y" in said[2]


@pytest.mark.parametrize("named", ["last", "beginning", "whole"])
def test_a_proposal_is_found_by_its_name(home: Path, named: str) -> None:
    (file,) = home.glob("proposals/*-y.toml")
    name = {"last": "last", "beginning": file.stem[:12], "whole": file.stem}[named]
    assert proposal_file(name, home, ["Bench mule"]).name == file.name
    with pytest.raises(UsedWrongly, match=f"there is no proposal {name}; proposals of Other that "):
        proposal_file(name, home, ["Other"])


def test_what_was_confirmed_waits_no_longer_and_keeps_its_name(home: Path) -> None:
    (file,) = home.glob("proposals/*-y.toml")
    with closing(Logbook(home / "logbook.db")) as logbook:
        logbook.close_proposal(file.stem, "not-applied", "me")
        assert proposal_file("last", home, ["Bench mule"]).name == file.name
        logbook.close_proposal(file.stem, "confirmed", "me")
    assert open_changes(home) == []
    assert proposal_file(file.stem, home, ["Bench mule"]).name == file.name
    with pytest.raises(UsedWrongly, match=r"no proposal last; .* wait to be checked: none"):
        proposal_file("last", home, ["Bench mule"])


def test_a_file_comes_first_and_a_missing_one_is_missed(tmp_path: Path) -> None:
    (tmp_path / "last").write_text("", encoding="utf-8")
    with pytest.MonkeyPatch.context() as patched:
        patched.chdir(tmp_path)
        assert proposal_file("last", tmp_path, ["One"]) == Path("last")
    with pytest.raises(BadFile, match="there is no such file"):
        run(["rehearse", "--hands-off", "--home", str(tmp_path), "--check", "there/p.toml"])


def test_of_several_one_has_to_be_named_and_a_number_that_stays_is_none(tmp_path: Path) -> None:
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        log = logbook.begin(head("s-1"), SetClock())
        for axis in ("x", "y", "z"):
            log.proposal(f"p-{axis}", axis, tmp_path / f"p-{axis}.toml", "0")
        log.end("finished", {"x": {"verdict": "change"}, "y": {"verdict": "keep"}})
    assert [one.id for one in open_changes(tmp_path)] == ["p-z", "p-x"]
    assert proposal_file("p-x", tmp_path, ["Test slide"]) == tmp_path / "p-x.toml"
    with pytest.raises(UsedWrongly, match=r"p can be several; .* checked: p-z, p-x\. Name"):
        proposal_file("p", tmp_path, ["Test slide"])
    with pytest.raises(UsedWrongly, match="no proposal p-y; "):
        proposal_file("p-y", tmp_path, ["Test slide"])


def test_after_a_quick_check_the_cause_comes_before_the_number(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([*BEGIN, "--quick", "--home", str(tmp_path)]) == 0
    (note,) = [one for one in capsys.readouterr().out.splitlines() if "NOTE after." in one]
    assert "before anything is typed in, find the cause: tuner rehearse " in note
    assert "--axis y" in note
    assert "--quick" not in note


def test_at_a_real_machine_the_card_and_the_port_are_named(tmp_path: Path) -> None:
    setup = Bench(
        tmp_path, None, None, ("x",), "/dev/my port", False, MonotonicClock(), lambda: None,  # type: ignore[arg-type,return-value]
        begun=("tune", "my card.toml"), job="A 1",
    )  # fmt: skip
    assert shlex.split(setup.command("--check", "p-1")) == [
        "tuner", "tune", "my card.toml", "--port", "/dev/my port", "--check", "p-1", "--job", "A 1",
        "--home", str(tmp_path),
    ]  # fmt: skip
    assert "--job" not in replace(setup, job="").command()


# --- the number of a job ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("job", "says"),
    [
        ("A-17", ""),
        ("a17", "no intake for job a17 of this machine; nearest: A-17"),
        ("C-9", "no intake for job C-9 of this machine"),
        ("B-2", "no intake for job B-2 of this machine"),
    ],
)
def test_a_number_of_no_job_is_doubted_at_the_beginning(
    tmp_path: Path, job: str, says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[Line] = []
    monkeypatch.setattr("tuner.console.plain.HandsOff.tell", lambda _, line: told.append(line))
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        for name, machine, number in (("1", "Bench mule", "A-17"), ("2", "Other", "B-2")):
            one = head(name, machine, plan="intake", params={"axes": []})
            logbook.begin(one, SetClock()).end("finished", {"job": number})
    arguments = ["rehearse", "--hands-off", "--test", "squareness", "--axis", "x", "--axis", "y"]
    run([*arguments, "--job", job, "--home", str(tmp_path)])
    assert [one.says for one in told if one.key == "job.unknown"] == [says] * bool(says)
    assert told[0].key == "job.unknown" or not says
