"""A whole job at the repair counter, as one piece: from what the customer says to the sheet."""

from __future__ import annotations

import re
from contextlib import closing
from pathlib import Path

import pytest
import readme
from counter import (
    ANSWERS,
    CAPTURE,
    COMMANDS,
    captured,
    card_in,
    intake,
    rehearsed,
    typed,
    whole_job,
)
from strict_html import Page

from tuner.cli import run
from tuner.session.logbook import Logbook


def sheets(home: Path) -> list[Path]:
    return sorted(home.glob("sheets/*"))


def test_from_intake_to_sheet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole_job(tmp_path)
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        assert [logbook.head(one).plan for one in logbook.sessions()] == [
            "intake", "bench", "bench", "check",
        ]  # fmt: skip
    said = capsys.readouterr().out
    assert "--quick --job A-17" in said
    assert run(["sheet", "last", "--home", str(tmp_path)]) == 0
    html, markdown = sheets(tmp_path)
    assert f"sheet written: {html}" in capsys.readouterr().out

    page = Page(html.read_text(encoding="utf-8"))
    assert page.faults == []
    assert page.reaches_out == []
    text = page.text
    for told in ("A-17", "prints come out too small", "C-3", "2026-01-12"):
        assert told in text
    assert "work done by" not in text  # nobody was named
    assert "Nothing was changed on the machine by this program." in text
    assert page.rows("As found and as left")[1:] == [
        ["X", "80 steps per mm", *page.numbers("X"), "100 steps per mm", *page.numbers("X", 1)],
        ["Y", "80 steps per mm", *page.numbers("Y"), "as found", "as found"],
    ]
    assert abs(float(page.numbers("X")[0].split()[0]) - 80.0) < 0.5
    assert abs(float(page.numbers("X", 1)[0].split()[0]) - 100.0) < 0.5
    assert "16 teeth, the card says 20" in text
    assert "type back in what was found: 80 steps per mm" in text
    assert "set with the old number: set them anew" in text
    assert [row[2] for row in page.rows("Where this comes from")[1:]] == [
        "the machine came in", "quick check", "measuring", "check after a change",
    ]  # fmt: skip
    assert len(page.pictures) == 3  # X as found and as left, Y as found

    twin = re.sub(r"\(picture on the HTML sheet: (.*)\)", r"\1", markdown.read_text("utf-8"))
    in_both = re.sub(r"[\W_]+", "", re.sub(r"[\\`|*#]|---|\[ \]|^- ", "", twin, flags=re.M))
    assert re.sub(r"[\W_]+", "", page.words_only) == in_both


def test_the_job_that_is_shown_is_one_that_happens(tmp_path: Path) -> None:
    assert captured(tmp_path) == CAPTURE.read_text(encoding="utf-8"), (
        "run python tests/bench/record_transcripts.py and look at the diff"
    )


def test_a_card_goes_before_a_simulated_machine_of_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    at = ["--plain", "--home", str(tmp_path)]
    assert typed(ANSWERS, "intake", "pack-mule", *at) == 0
    assert "tuner rehearse --machine pack-mule --quick" in capsys.readouterr().out
    card_in(tmp_path).rename("pack-mule")
    assert typed(ANSWERS, "intake", "pack-mule", *at) == 0
    assert "tuner tune pack-mule --port PORT --quick" in capsys.readouterr().out


def test_an_intake_is_left_and_taken_up(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    at = ["--plain", "--home", str(tmp_path)]
    assert typed(ANSWERS[:2], "intake", str(card_in(tmp_path)), *at) == 3  # the input ended
    capsys.readouterr()
    assert typed(ANSWERS[2:], "resume", "last", *at) == 0
    assert "TEXT job.number" not in capsys.readouterr().out
    assert run(["log", "last", "--home", str(tmp_path)]) == 0
    assert re.search(r"complaint +prints come out too small", capsys.readouterr().out)


def test_a_job_number_is_needed_and_all_can_be_asked_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first = ["", "x" * 41, "B-1", *[""] * 5, "again"]
    intake(tmp_path, [*first, "B-2", "shifted", "2", "Kim", "", "", ""])
    said = capsys.readouterr().out
    assert said.count("TEXT job.number") == 4
    assert "expected: job number" in said
    assert "type 40 at most" in said
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        _, kept = logbook.ending(logbook.find("last"))
    assert kept == {
        "job": "B-2", "complaint": "shifted", "symptom": "shifts", "by": "Kim", "caliper": "",
        "calibrated_on": "",
    }  # fmt: skip
    assert "tuner offset SIZE_MM" in said


def test_sheets_are_never_written_over(tmp_path: Path) -> None:
    rehearsed(tmp_path, "--quick", "--axis", "y")
    for _ in range(3):
        assert run(["sheet", "last", "--home", str(tmp_path)]) == 0
    assert len(sheets(tmp_path)) == 6
    assert len({one.read_bytes() for one in tmp_path.glob("sheets/*.html")}) == 1


def guide() -> str:
    """Return the section of README.md that leads through a job."""
    text = readme.PATH.read_text(encoding="utf-8")
    return text.partition("## At the repair counter\n")[2].partition("\n## ")[0]


def test_what_the_guide_shows_is_in_the_whole_job_and_in_its_order() -> None:
    happened = CAPTURE.read_text(encoding="utf-8").splitlines()
    blocks = re.findall(r"```text\n(.*?)```", guide(), re.DOTALL)
    at = 0
    for block in blocks:
        follows = False  # whether the next line is the one right after the line before
        for line in block.splitlines():
            if line != "...":
                there = happened.index(line, at)
                assert there == at or not follows, f"something is left out before: {line}"
                at = there + 1
            follows = line != "..."
    commands = re.findall(r"^\$ (.*)", "".join(blocks), re.MULTILINE)
    assert commands == [one for one in COMMANDS if "--markdown" not in one]
