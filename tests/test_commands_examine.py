"""``tuner examine``: tables of readings, with and without a card, for people and programs."""

from __future__ import annotations

import contextlib
import io
import json
import re
import shlex
import subprocess
import sys
import textwrap
from pathlib import Path
from typing import Any

import pytest
from card_mutations import OTHERS, STRAIGHT
from csv_mutations import PLAIN, QUOTED, SPREADSHEET
from hostile import TEXTS, offences

from tuner.cli import run
from tuner.errors import BadFile, UsedWrongly

README = Path(__file__).parents[1].joinpath("README.md").read_text(encoding="utf-8")
CARD = STRAIGHT.replace("coupled-belts", "independent").replace(
    'caliper = { reading_grows = "minus" }\n', ""
)
MISREAD = PLAIN.replace("80,84.06", "80,48.06") + "10,28.04,plus\n130,124.02,minus\n"


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name, text in (
        ("card.toml", CARD), ("others.toml", OTHERS), ("coupled.toml", STRAIGHT),
        ("run.csv", PLAIN), ("sheet.csv", SPREADSHEET), ("quoted.csv", QUOTED),
        ("misread.csv", MISREAD), ("bad.csv", "commanded_mm,reading_mm\n1,2\n3,x\n"),
        ("one.csv", "commanded_mm,reading_mm\n1,2\n"),
        ("still.csv", "commanded_mm,reading_mm\n0,20\n100,20\n0,20\n100,20\n"),
    ):  # fmt: skip
        tmp_path.joinpath(name).write_text(text, encoding="utf-8", newline="")
    return tmp_path


def reports(capsys: pytest.CaptureFixture[str], arguments: str) -> list[dict[str, Any]]:
    assert run(["examine", *shlex.split(arguments), "--json"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return [json.loads(line) for line in out.splitlines()]


def printed(capsys: pytest.CaptureFixture[str], arguments: str) -> str:
    assert run(["examine", *shlex.split(arguments)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert max(map(len, out.splitlines())) <= 98
    return out


# --- for programs -----------------------------------------------------------------------------


def test_one_object_a_file_in_the_order_given(capsys: pytest.CaptureFixture[str]) -> None:
    found = reports(capsys, "sheet.csv run.csv quoted.csv")
    assert [one["file"] for one in found] == ["sheet.csv", "run.csv", "quoted.csv"]
    assert [one["axis"] for one in found] == [None] * 3
    assert [one["n"] for one in found] == [8, 6, 4]
    for one, scale in zip(found, (0.8, 0.8, 1.0), strict=True):
        assert abs(one["scale"]["value"] - scale) < one["scale"]["U"]


def test_the_object_of_the_contract(capsys: pytest.CaptureFixture[str]) -> None:
    (found,) = reports(capsys, "run.csv --card card.toml --axis X --placed outside-jaws")
    assert found["schema"] == 1
    assert found["axis"] == "x"
    assert set(found["scale"]) == {"value", "u", "U", "k", "dof"}
    assert set(found["travel_per_rev_mm"]) == {"expected", "stored", "measured", "U"}
    assert set(found["play_mm"]) == {"value", "u"}
    assert found["suspect_readings"] == []
    assert found["jumps"] == []
    assert found["not_tested"]["drift_mm_per_min"] == "no times given"
    assert {"name", "p", "says", "check"} <= set(found["causes"][0])
    assert found["verdict"] in ("keep", "change", "repair-first", "measure-again", "cannot-tell")
    assert found["caliper"] == {"resolution_mm": 0.01, "error_limit_mm": 0.03}


def test_a_suspect_is_named_and_nothing_is_proposed(capsys: pytest.CaptureFixture[str]) -> None:
    (found,) = reports(capsys, "misread.csv --card card.toml --axis x")
    assert found["suspect_readings"] == found["set_aside"] == [6]
    assert (found["verdict"], found["proposal"]) == ("measure-again", None)
    assert "two digits swapped: 84.06 for 48.06" in found["next"]


def test_each_file_may_have_an_axis_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    found = reports(capsys, "run.csv quoted.csv --card card.toml --axis x --axis y")
    assert [one["axis"] for one in found] == ["x", "y"]
    found = reports(capsys, "run.csv quoted.csv --card card.toml --axis y")
    assert [one["axis"] for one in found] == ["y", "y"]


def test_coupled_belts_have_a_scale_and_no_causes(capsys: pytest.CaptureFixture[str]) -> None:
    (found,) = reports(capsys, "run.csv --card coupled.toml --axis x")
    assert found["axis"] == "x"
    assert found["causes"] == []
    assert "two belts move x together" in found["next"]


# --- what cannot be used ----------------------------------------------------------------------


@pytest.mark.parametrize("as_json", [True, False])
@pytest.mark.parametrize("card", ["", "--card card.toml --axis x"])
@pytest.mark.parametrize(
    ("bad", "says"),
    [
        ("bad.csv", "bad.csv: line 3: reading_mm is 'x'"),
        ("none.csv", "none.csv: there is no such file"),
        ("one.csv", "one.csv: 1 reading; a scale needs at least two"),
        ("still.csv", "still.csv: the readings differ by 0.000 mm though"),
    ],
)
def test_a_file_that_cannot_be_used_does_not_keep_the_others_back(
    capsys: pytest.CaptureFixture[str], bad: str, says: str, card: str, as_json: bool
) -> None:
    arguments = shlex.split(f"run.csv {bad} quoted.csv {card}") + ["--json"] * as_json
    assert run(["examine", *arguments]) == 1
    out, err = capsys.readouterr()
    assert err.startswith(f"tuner: {says}")
    assert len(err.splitlines()) == 1
    if as_json:
        found = [json.loads(line)["file"] for line in out.splitlines()]
        assert found == ["run.csv", "quoted.csv"]
    else:
        assert "run.csv" in out
        assert "quoted.csv" in out
        assert bad not in out


@pytest.mark.parametrize(
    ("arguments", "error", "says"),
    [
        ("run.csv --axis x", UsedWrongly, "give --card as well"),
        ("run.csv --card card.toml", UsedWrongly, "has x, y; it takes one to say"),
        ("run.csv --card card.toml --axis q", UsedWrongly, "there is no axis q"),
        ("run.csv --card card.toml --axis x --axis y", UsedWrongly, "2 axes and 1 files"),
        ("run.csv --card others.toml --axis a", UsedWrongly, "axis a turns"),
        ("run.csv --card others.toml --axis e", UsedWrongly, "feeds filament"),
        ("run.csv --card none.toml --axis x", BadFile, "no such file"),
    ],
)
def test_what_does_not_go_together_is_told_before_any_result(
    capsys: pytest.CaptureFixture[str], arguments: str, error: type[Exception], says: str
) -> None:
    with pytest.raises(error, match=says):
        run(["examine", *shlex.split(arguments)])
    assert capsys.readouterr().out == ""


def test_no_file_is_wrong_usage(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        run(["examine"])
    assert ended.value.code == 2
    assert "READINGS" in capsys.readouterr().err


@pytest.mark.parametrize("text", [one for one in TEXTS if "\0" not in one and "/" not in one])
def test_the_name_of_a_file_does_not_act_on_the_terminal(
    here: Path, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    name = f"{text.encode('utf-8', 'replace').decode()[:40]}.csv"
    here.joinpath(name).write_text(PLAIN, encoding="utf-8")
    assert run(["examine", f"./{name}", "./none" + name]) == 1
    out, err = capsys.readouterr()
    assert offences(out + err, line_ends=True) == []
    assert out.count("6 readings over") == 1


# --- for people -------------------------------------------------------------------------------


def test_without_a_card_the_rest_is_still_said(capsys: pytest.CaptureFixture[str]) -> None:
    out = " ".join(printed(capsys, "run.csv").split())
    for says in (
        "6 readings over 96.0 mm", "(assumed: no card)", "true / commanded travel 0.79",
        "play, mm", "lost on reversal", "where the ± comes from", "improve first:",
        "residuals: reading minus fit", "not tested: drift: no times",
        "no causes: no machine card was given",
    ):  # fmt: skip
        assert says in out
    assert "verdict" not in out


def test_two_files_stand_apart(capsys: pytest.CaptureFixture[str]) -> None:
    out = printed(capsys, "run.csv sheet.csv")
    assert "\n\nsheet.csv\n" in out
    assert "in 2 visits" in out
    assert "drift, mm per minute" in out


def test_a_suspect_is_told_to_people(capsys: pytest.CaptureFixture[str]) -> None:
    out = " ".join(printed(capsys, "misread.csv --card card.toml --axis x").split())
    assert "suspect: reading 6 shows 48.06 mm at 80 mm, the others put it at 84.0" in out
    assert "suspect readings are neither in the fit nor in the picture" in out
    assert "verdict: measure-again" in out


def test_of_many_suspects_ten_are_told_and_the_rest_counted(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [f"{n % 7 * 20},{20 + n % 7 * 20 + 5 * (n % 5 == 3)}.0{n % 4}" for n in range(70)]
    here.joinpath("many.csv").write_text("\n".join(["commanded_mm,reading_mm", *rows]))
    out = printed(capsys, "many.csv")
    assert out.count("suspect: reading ") == 10
    assert "suspect: and 4 more readings" in out


def test_readings_that_go_the_wrong_way_have_no_causes_but_a_next_step(
    capsys: pytest.CaptureFixture[str], here: Path
) -> None:
    here.joinpath("card.toml").write_text(
        STRAIGHT.replace("coupled-belts", "independent"), encoding="utf-8"
    )
    out = " ".join(printed(capsys, "run.csv --card card.toml --axis x").split())
    assert "%  " not in out
    assert "verdict: cannot-tell next: the readings shrink where the card says they grow" in out


@pytest.mark.parametrize(("encoding", "mark"), [("ascii", ">"), ("utf-8", "▷")])
def test_the_picture_suits_the_terminal(encoding: str, mark: str) -> None:
    raw = io.BytesIO()
    with contextlib.redirect_stdout(io.TextIOWrapper(raw, encoding, errors="replace")) as out:
        assert run(["examine", "run.csv"]) == 0
        out.flush()
    text = raw.getvalue().decode(encoding)
    assert re.search(rf"[|│]{mark}", text)


def test_the_whole_program_examines(here: Path) -> None:
    ended = subprocess.run(
        [sys.executable, "-m", "tuner", "examine", "bad.csv", "run.csv", "--json"],
        capture_output=True,
        text=True,
        encoding="utf-8",
    )
    assert ended.returncode == 1
    assert ended.stderr == (
        "tuner: bad.csv: line 3: reading_mm is 'x'; expected a plain number like 12.34\n"
    )
    assert json.loads(ended.stdout)["n"] == 6


# --- what README.md says ----------------------------------------------------------------------


def block(language: str, containing: str) -> str:
    """Return the block of README.md in `language` that has `containing` in it."""
    blocks = re.findall(rf"^( *)```{language}\n(.*?)^ *```", README, re.MULTILINE | re.DOTALL)
    (found,) = (text for _, text in blocks if containing in text)
    return textwrap.dedent(found)


@pytest.fixture
def as_in_readme(here: Path) -> None:
    here.joinpath("card.toml").write_text(block("toml", "[axes.x]"), encoding="utf-8")
    here.joinpath("readings.csv").write_text(block("text", "reading_mm,"), encoding="utf-8")


@pytest.mark.usefixtures("as_in_readme")
def test_what_readme_shows_is_what_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    command, shown = block("text", "$ tuner examine").split("\n", 1)
    assert run(shlex.split(command)[2:]) == 0
    assert capsys.readouterr().out == shown


@pytest.mark.usefixtures("as_in_readme")
def test_the_notebook_of_readme_runs(capsys: pytest.CaptureFixture[str]) -> None:
    exec(compile(block("python", "tuner.examine"), "README.md", "exec"), {})
    assert capsys.readouterr().out.splitlines() == ["change {'drive.pulley_teeth': 16}"]


@pytest.mark.usefixtures("as_in_readme")
def test_the_keys_are_the_documented_ones(capsys: pytest.CaptureFixture[str]) -> None:
    (found,) = reports(capsys, "readings.csv --card card.toml --axis x")
    (row,) = re.findall(r"^\| `examine` \| (.*) \|$", README, re.MULTILINE)
    outer = re.sub(r"\([^)]*\)", "", row)
    assert {*found} == {*re.findall(r"`(\w+)`", outer), "schema"}
    for name, inner in re.findall(r"`(\w+)` \(([^)]*`[^)]*)\)", row):
        value = found[name][0] if isinstance(found[name], list) else found[name]
        assert {*re.findall(r"`(\w+)`", inner)} <= {*value}, name


# --- jumps ------------------------------------------------------------------------------------


@pytest.fixture
def jumped(here: Path) -> None:
    """Ten readings of x; from the sixth on the axis is one lost cycle, 0.64 mm, short."""
    places = [(1, "plus"), (121, "plus"), (121, "minus"), (1, "minus"), (11, "plus")]
    places += [(131, "plus"), (141, "minus"), (21, "minus"), (1, "plus"), (121, "plus")]
    rows = [
        f"{at},{20 + 0.8 * at - 0.64 * (n > 5) + 0.01 * (n % 2):.2f},{approach}"
        for n, (at, approach) in enumerate(places, 1)
    ]
    text = "commanded_mm,reading_mm,approach\n" + "\n".join(rows)
    here.joinpath("jumped.csv").write_text(text, encoding="utf-8")


@pytest.mark.usefixtures("jumped")
def test_a_jump_waits_for_the_look_at_the_datum(capsys: pytest.CaptureFixture[str]) -> None:
    (found,) = reports(capsys, "jumped.csv --card card.toml --axis y")
    (jump,) = found["jumps"]
    assert jump["before"] == 6
    assert set(jump) == {"before", "size_mm", "u", "as"}
    assert found["verdict"] != "change"
    assert "close its jaws" in found["next"]
    (looked,) = reports(capsys, "jumped.csv --card card.toml --axis y --datum moved")
    assert [one["name"] for one in looked["jumps"][0]["as"]] == ["datum-moved"]
    assert looked["verdict"] == "measure-again"


@pytest.mark.usefixtures("jumped")
def test_a_jump_is_printed_with_its_odds(capsys: pytest.CaptureFixture[str]) -> None:
    out = printed(capsys, "jumped.csv --card card.toml --axis y --datum unmoved")
    assert re.search(r"jump: before reading 6 by -0\.6\d mm, u = 0\.0\d mm\n", out)
    assert "a further jump of" in out
    assert "datum-moved" not in out


@pytest.mark.usefixtures("jumped")
def test_odds_of_two_questions_stand_under_two_heads(capsys: pytest.CaptureFixture[str]) -> None:
    out = printed(capsys, "jumped.csv --card card.toml --axis y --datum unmoved")
    number = out.index("what is behind the number, one of these:")
    motion = out.index("how the axis moves, each by itself:")
    assert number < out.rindex("%  pinion-teeth:") < motion < out.rindex("%  not-listed:")
    assert "one of these" not in printed(capsys, "run.csv --card card.toml --axis y")
