"""``tuner sheet`` and ``tuner history``: which sessions are meant, what goes where."""

from __future__ import annotations

import io
import json
import re
import shlex
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest
from counter import newest_proposal, rehearsed
from fakes import CARD_TEXT, SetClock
from hostile import TEXTS, offences
from strict_html import Page
from test_commands_log import head

from tuner.cli import run
from tuner.errors import BenchFault, InputFault, UsedWrongly
from tuner.handover.recorded import belonging
from tuner.session.logbook import Logbook
from tuner.text import shown


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a session of one axis, the check of its proposal, and another machine."""
    folder = tmp_path_factory.mktemp("sheets")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(sys, "stdout", io.StringIO())
        rehearsed(folder, "--axis", "x")
        rehearsed(folder, "--check", str(newest_proposal(folder, "x")))
        rehearsed(folder, "--machine", "pack-mule", "--fault", "none", "--quick")
    return folder


def sessions(home: Path) -> list[str]:
    with closing(Logbook(home / "logbook.db")) as logbook:
        return logbook.sessions()


def printed(capsys: pytest.CaptureFixture[str], home: Path, *arguments: str) -> str:
    assert run([*arguments, "--home", str(home)]) == 0
    return capsys.readouterr().out


@pytest.mark.parametrize("which", [0, 1])
def test_a_change_and_its_check_go_together(
    home: Path, which: int, capsys: pytest.CaptureFixture[str]
) -> None:
    name = sessions(home)[which]
    text = printed(capsys, home, "sheet", name, "--markdown")
    row = re.search(r"^\| X \| 80 steps per mm \| (.*) \| 100 steps per mm \| (.*) \|$", text, re.M)
    assert row is not None
    assert row[1].startswith("79.97 ±")
    assert row[2].startswith("99.98 ±")
    assert not [*home.glob("sheets/*.md")]


def test_what_was_found_before_stands_on_a_later_sheet(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rehearsed(tmp_path, "--quick", "--axis", "y")
    rehearsed(tmp_path, "--quick", "--axis", "y")
    first, second = sessions(tmp_path)
    earlier = "## This machine before"
    assert earlier not in printed(capsys, tmp_path, "sheet", first, "--markdown")
    text = printed(capsys, tmp_path, "sheet", second, "--markdown")
    before = text.split(earlier)[1]
    assert re.search(r"\| Y \| 1\.0000 ± 0\.000\d \| 0\.\d+ ± 0\.\d+ mm \| keep \|", before)
    assert "- Since then the scale of Y shows no change beyond ± 0.001" in before
    both = printed(capsys, tmp_path, "sheet", first, second, "--markdown")
    assert earlier not in both
    assert first in both
    assert second in both


def test_where_it_is_written(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page, text = tmp_path / "sheet.html", tmp_path / "sheet.md"
    name = sessions(home)[0]
    printed(capsys, home, "sheet", name, "--output", str(page))
    printed(capsys, home, "sheet", name, "--output", str(text), "--markdown")
    assert Page(page.read_text(encoding="utf-8")).faults == []
    assert text.read_text(encoding="utf-8").startswith("# Handover sheet: `Bench mule`\n")
    with pytest.raises(InputFault, match="is there already, and a sheet is never written over"):
        run(["sheet", name, "--output", str(page), "--home", str(home)])
    with pytest.raises(BenchFault, match="cannot be written"):
        run(["sheet", name, "--output", str(tmp_path / "none" / "a"), "--home", str(home)])


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    rehearsed(tmp_path, "--quick", "--axis", "y")
    (tmp_path / "sheets").write_text("in the way", encoding="utf-8")
    with pytest.raises(BenchFault, match="the sheet cannot be written to"):
        run(["sheet", "last", "--home", str(tmp_path)])


def test_what_is_refused(home: Path, tmp_path: Path) -> None:
    first, _, other = sessions(home)
    with pytest.raises(UsedWrongly, match="Bench mule and Pack mule; a sheet is about one machine"):
        run(["sheet", first, other, "--home", str(home)])
    with pytest.raises(InputFault, match="there is no session and no job nobody"):
        run(["sheet", "nobody", "--home", str(home)])
    for command in (["sheet", "last"], ["history"]):
        with pytest.raises(InputFault, match="there is no logbook at"):
            run([*command, "--home", str(tmp_path / "new")])
    assert not (tmp_path / "new").exists()


def test_several_benches_on_one_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Sheets are made while others are, and while sessions are still being written."""
    for axis in ("x", "y"):
        rehearsed(tmp_path, "--quick", "--axis", axis, "--job", axis)
    done = sessions(tmp_path)
    with (
        closing(Logbook(tmp_path / "logbook.db")) as logbook,
        closing(
            logbook.begin(head("zz", machine="Bench mule", params={"axes": ["x"]}), SetClock())
        ),
        ThreadPoolExecutor(4) as benches,
    ):
        at = ["--home", str(tmp_path)]
        made = [benches.submit(run, ["sheet", one, *at]) for one in done * 4]
        assert [one.result() for one in made] == [0] * 8
    pages = [one.read_text(encoding="utf-8") for one in tmp_path.glob("sheets/*.html")]
    assert len(pages) == 8
    assert len({*pages}) == 2  # each job has its own, whole
    assert all(Page(one).faults == [] for one in pages)
    assert not [*tmp_path.glob("sheets/.*")]


def test_jobs_hold_together_on_one_machine_only(tmp_path: Path) -> None:
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        for name, machine, job in (
            ("a", "One", "7"), ("b", "One", ""), ("c", "One", "7"), ("d", "Two", "7"),
        ):  # fmt: skip
            params = {"axes": []} | ({"job": job} if job else {})
            logbook.begin(head(name, machine=machine, params=params), SetClock()).close()
        assert belonging(logbook, ["c"]) == ["a", "c"]
        assert belonging(logbook, ["b"]) == ["b"]
        assert belonging(logbook, ["d"]) == ["d"]


def test_a_job_is_named_by_its_number(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        for name, machine, job in (
            ("1-a", "One", "7"), ("1-b", "One", "1"), ("1-c", "One", ""), ("1-d", "Two", "8"),
            ("1-e", "One", "8"),
        ):  # fmt: skip
            params = {"axes": []} | ({"job": job} if job else {})
            logbook.begin(head(name, machine=machine, params=params), SetClock()).close()

    def sheet_names(*names: str) -> set[str]:
        return {*re.findall(r"`(1-\w)`", printed(capsys, tmp_path, "sheet", *names, "--markdown"))}

    assert sheet_names("7") == {"1-a"}
    assert sheet_names("1") == {"1-b"}  # though every session begins so
    assert sheet_names("7", "1-c") == {"1-a", "1-c"}
    with pytest.raises(UsedWrongly, match="One and Two; a sheet is about one machine"):
        run(["sheet", "8", "--home", str(tmp_path)])


@pytest.mark.parametrize("number", range(0, len(TEXTS), 6))
def test_hostile_names_are_inert(
    number: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    texts = [one for one in TEXTS[number : number + 6] if not re.search("[\ud800-\udfff\0]", one)]
    came_in = dict.fromkeys(("job", "complaint", "by", "caliper", "calibrated_on"), texts[0])
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        for n, text in enumerate(texts):
            named = head(f"{n} {text}", shown(texts[0]), tool_version=text, port=text)
            log = logbook.begin(named, SetClock())
            log.end("finished", {})
        log = logbook.begin(head("i", shown(texts[0]), plan="intake"), SetClock())
        log.end("finished", {**came_in, "symptom": texts[0]})
        names = logbook.sessions()
    run(["sheet", "--home", str(tmp_path), "--", *names])
    (path,) = tmp_path.glob("sheets/*.html")
    page = Page(path.read_text(encoding="utf-8"))
    assert (page.faults, page.reaches_out) == ([], [])
    assert page.text.count(shown(texts[0])) >= 6
    for one in (path, path.with_suffix(".md")):
        assert offences(one.read_text(encoding="utf-8"), line_ends=True) == []
    assert offences(capsys.readouterr().out, line_ends=True) == []


# --- history ------------------------------------------------------------------------------


def test_every_machine_or_one(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = printed(capsys, home, "history")
    assert re.search(
        r"X, steps per mm +job +stored +scale +moved .* play, mm .*\n"
        r"  \d{8}-\d{6}\S* +- +80 +0\.7997 ± \S+ +change .*<.*\n"
        r"  \d{8}-\d{6}\S* +- +100 .* \+20 % +confirmed ",
        text,
    )
    assert re.match(r"Pack mule\n  X, steps per mm +job ", text)
    text = printed(capsys, home, "history", "--machine", "Pack mule", "--axis", "y")
    assert "Bench" not in text
    assert "  X, " not in text
    assert "...o..." in text
    report = json.loads(printed(capsys, home, "history", "--json"))
    assert [one["machine"] for one in report["machines"]] == ["Pack mule", "Bench mule"]
    (first, second) = report["machines"][1]["entries"]
    assert (first["verdict"], second["outcome"]) == ("change", "confirmed")
    with pytest.raises(InputFault, match="no machine Nobody in the logbook; it has Pack mule, Ben"):
        run(["history", "--machine", "Nobody", "--home", str(home)])


def test_two_benches_on_one_folder_over_months(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scale = {"u": 0.0004, "U": 0.0008, "k": 2.0, "dof": 30.0}
    seen = (
        ("20260112-090500-a", "One", 1.0), ("20260303-090500-b", "One", 1.0002),
        ("20260303-090500-c", "Two", 1.0), ("20260620-090500-d", "One", 1.004),
    )  # fmt: skip
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        for name, machine, value in seen:
            kept = {"verdict": "keep", "scale": scale | {"value": value}, "play_mm": None}
            logbook.begin(head(name, machine=machine), SetClock()).end("finished", {"x": kept})
    text = printed(capsys, tmp_path, "history", "--machine", "One")
    assert [line.split("   ")[0].strip() for line in text.splitlines()] == [
        "One", "X, steps per mm", "20260112-090500", "20260303-090500-b", "20260620-090500",
    ]  # fmt: skip
    assert [re.findall(r" (no|\+\S+ %) ", line) for line in text.splitlines()[3:]] == [
        ["no"], ["+0.38 %"],
    ]  # fmt: skip


def test_two_sessions_compared(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first, second, other = sessions(home)
    text = printed(capsys, home, "history", "--compare", first, second)
    assert re.search(
        r"the scale of X moved by 0\.20\d+ ± 0\.00\d+: 0\.799\d\d, then 0\.999\d\d", text
    )
    assert (
        "    the stored number of X changed in between, from 80 steps per mm to 100 steps per mm\n"
        in text
    )
    assert "the play of X shows no change beyond" in text
    same = printed(capsys, home, "history", "--compare", first, first)
    assert "the stored number of X was the same: 80 steps per mm" in same
    report = json.loads(printed(capsys, home, "history", "--compare", first, second, "--json"))
    scale, play = report["differences"]
    assert scale["stored"] == [80.0, 100.0]
    assert scale["is_seen"]
    assert not play["is_seen"]
    assert scale["moved"] == scale["after"] - scale["before"]
    text = printed(capsys, home, "history", "--compare", first, second, "--axis", "y")
    assert "no axis was measured to the end in both" in text
    with pytest.raises(UsedWrongly, match="two of one machine can be compared"):
        run(["history", "--compare", first, other, "--home", str(home)])


def test_a_machine_of_which_nothing_was_found(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        logbook.begin(head("s-1", card=CARD_TEXT), SetClock()).end("stopped", None)
    text = printed(capsys, tmp_path, "history")
    assert text == "Test slide\n  no session of it came to its end with a finding\n"


# --- names with blanks ----------------------------------------------------------------------


@pytest.fixture
def job_31(tmp_path: Path) -> Path:
    """A folder with two sessions of a job whose number has a blank, and one without a job."""
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        for name, job in (("1", "Job 31"), ("2", "Job 31"), ("3", "")):
            params = {"axes": ["x"], **({"job": job} if job else {})}
            logbook.begin(head(name, "Slide", params=params), SetClock()).end("finished", {})
    return tmp_path


@pytest.mark.parametrize("words", [("Job", "31"), ("job", "31")])
def test_a_job_without_its_quotes_is_said_with_them(job_31: Path, words: tuple[str, ...]) -> None:
    with pytest.raises(UsedWrongly) as wrong:
        run(["sheet", *words, "--markdown", "--home", str(job_31)])
    said = str(wrong.value)
    assert said.startswith(f"there is no session and no job {words[0]}, but a job Job 31: ")
    assert said.endswith(f"in quotes: tuner --home {job_31} sheet --markdown 'Job 31'")
    line = shlex.split(said.rpartition(": tuner ")[2])
    assert run(line) == 0


@pytest.mark.parametrize("words", [("Job", "32"), ("3", "Job"), ("Job",)])
def test_words_that_are_no_job_together_are_no_matter_of_quotes(
    job_31: Path, words: tuple[str, ...]
) -> None:
    with pytest.raises(InputFault, match="no job Job in the logbook") as wrong:
        run(["sheet", *words, "--home", str(job_31)])
    assert "quotes" not in str(wrong.value)


@pytest.mark.parametrize(
    ("typed", "line"),
    [
        ("rehearse --job Job 31 --hands-off", "rehearse --job 'Job 31' --hands-off"),
        ("tune --job Job 31 a.toml --port p", "tune --job 'Job 31' a.toml --port p"),
        ("tune a.toml --port p --job Job 31 b", "tune a.toml --port p --job 'Job 31 b'"),
        ("log Job 31", "log 'Job 31'"),
        ("log export Job 31 --axis x", "log export 'Job 31' --axis x"),
        ("resume Job 31", "resume 'Job 31'"),
        ("history --machine Bench mule", "history --machine 'Bench mule'"),
    ],
)
def test_one_name_without_its_quotes_is_said_with_them(
    typed: str, line: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        run(typed.split())
    assert ended.value.code == 2
    assert capsys.readouterr().err.endswith(f"A name with blanks goes in quotes: tuner {line}\n")


@pytest.mark.parametrize("typed", ["about 31", "log x --nothing", "rehearse 31 --job Job"])
def test_what_no_quotes_would_help_is_only_refused(
    typed: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit):
        run(typed.split())
    said = capsys.readouterr().err
    assert "unrecognized arguments" in said
    assert "quotes" not in said
