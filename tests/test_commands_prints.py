"""``tuner prints``: sizes of printed parts, for people and programs."""

from __future__ import annotations

import json
import shlex
from pathlib import Path
from typing import Any

import pytest
from card_mutations import STRAIGHT
from hostile import TEXTS, offences

from tuner.cli import run
from tuner.errors import BadFile, UsedWrongly

CARD = STRAIGHT.replace("coupled-belts", "independent")
HEADER = "nominal_mm,measured_mm,side,axis,material\n"
WIDE = HEADER + (
    "20,20.19,outside,x,abc\n60,60.21,outside,x,abc\n100,100.2,outside,x,abc\n"
    "20,19.82,inside,x,abc\n60,59.8,inside,x,abc\n100,99.81,inside,x,abc\n"
)
SHRUNK = HEADER.replace(",", ";") + (
    "20;19,88;outside;x;abc\n60;59,64;outside;x;abc\n100;99,4;outside;x;abc\n"
    "20;19,88;inside;x;abc\n100;99,4;inside;x;abc\n"
)
BLOCK = "nominal_mm,measured_mm,side\n20,19.60,outside\n"
SHORT = "nominal_mm,measured_mm,side,axis\n" + "".join(
    f"{size},{0.8 * size:.2f},{side},x\n"
    for size in (20, 60, 100)
    for side in ("inside", "outside")
)


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name, text in (
        ("wide.csv", WIDE), ("shrunk.csv", SHRUNK), ("block.csv", BLOCK), ("short.csv", SHORT),
        ("mixed.csv", HEADER + "20,100,outside,x,abc\n100,20,outside,x,abc\n"),
        ("bad.csv", BLOCK + "20,x,outside\n"), ("card.toml", CARD), ("coupled.toml", STRAIGHT),
    ):  # fmt: skip
        tmp_path.joinpath(name).write_text(text, encoding="utf-8", newline="")
    return tmp_path


def reports(capsys: pytest.CaptureFixture[str], arguments: str) -> list[dict[str, Any]]:
    assert run(["prints", *shlex.split(arguments), "--json"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return [json.loads(line) for line in out.splitlines()]


def printed(capsys: pytest.CaptureFixture[str], arguments: str) -> str:
    assert run(["prints", *shlex.split(arguments)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert max(map(len, out.splitlines())) <= 98
    return out


def test_one_object_an_axis_in_the_order_given(capsys: pytest.CaptureFixture[str]) -> None:
    found = reports(capsys, "wide.csv shrunk.csv block.csv")
    assert [(one["file"], one["axis"], one["verdict"], one["tie"]) for one in found] == [
        ("wide.csv", "x", "keep", []),
        ("shrunk.csv", "x", "cannot-tell", ["scale", "shrinkage"]),
        ("block.csv", None, "cannot-tell", ["scale", "shrinkage", "width-offset"]),
    ]
    assert found[0]["causes"][0]["name"] == "width-offset"
    assert all(one["schema"] == 1 and one["proposal"] is None for one in found)


@pytest.mark.parametrize("typed", ["1.0,0.0005", "x=1,0.0005", "X=1,0;0,0005"])
def test_an_axis_that_was_measured_leaves_shrinkage(
    capsys: pytest.CaptureFixture[str], typed: str
) -> None:
    (found,) = reports(capsys, f"shrunk.csv --axis-scale '{typed}'")
    assert (found["verdict"], found["causes"][0]["name"]) == ("keep", "shrinkage")
    assert found["scale"]["value"] == 1.0
    assert found["scale"]["U"] == pytest.approx(0.0005)
    (parts,) = found["materials"]
    assert parts["material"] == "ABC"
    assert abs(parts["shrinkage"]["value"] - 0.006) < parts["shrinkage"]["U"]
    assert "scale" not in found["not_tested"]


def test_the_caliper_and_the_parts_come_from_the_card(capsys: pytest.CaptureFixture[str]) -> None:
    (coarse,) = reports(capsys, "short.csv --card card.toml")
    assert [one["name"] for one in coarse["causes"]][:2] == ["scale", "pulley-teeth"]
    (coupled,) = reports(capsys, "short.csv --card coupled.toml")
    assert "pulley-teeth" not in [one["name"] for one in coupled["causes"]]
    assert "assumed: no card" in printed(capsys, "short.csv")
    assert "assumed" not in printed(capsys, "short.csv --card card.toml")


def test_what_a_person_reads(capsys: pytest.CaptureFixture[str]) -> None:
    out = printed(capsys, "wide.csv block.csv --axis-scale x=1.0,0.0005")
    assert "wide.csv: axis X" in out
    assert "the axis itself: 1.0000 ± 0.0005" in out
    assert "width-offset: lines come out 0.20 ± 0.03 mm too wide" in out
    assert "verdict: keep" in out
    assert "these sizes do not split: scale, shrinkage, width-offset" in out
    assert "not tested: scale: the axis itself was not measured" in out


def test_a_file_that_cannot_be_used_does_not_keep_the_others_back(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(["prints", "bad.csv", "none.csv", "wide.csv", "mixed.csv", "--json"]) == 1
    out, err = capsys.readouterr()
    assert [json.loads(line)["file"] for line in out.splitlines()] == ["wide.csv"]
    first, second, third = err.splitlines()
    assert first.startswith("tuner: bad.csv: line 3: measured_mm is 'x'")
    assert second.startswith("tuner: none.csv: there is no such file; expected a CSV file of sizes")
    assert third.startswith("tuner: mixed.csv: axis x, ABC: the larger the nominal size")


@pytest.mark.parametrize(
    ("arguments", "error", "says"),
    [
        ("wide.csv --axis-scale 1.0", UsedWrongly, "'' is not a number"),
        ("wide.csv --axis-scale x=one,0.1", UsedWrongly, "'one' is not a number"),
        ("wide.csv --axis-scale 0,0.1", UsedWrongly, "an axis scale of 0 ± 0.1"),
        ("wide.csv --axis-scale q=1,0.001", UsedWrongly, "for axis q, and the sizes are of x"),
        ("block.csv --axis-scale q=1,0.001", UsedWrongly, "the sizes are of no axis"),
        ("wide.csv --card none.toml", BadFile, "no such file"),
    ],
)
def test_what_makes_no_sense_is_refused(arguments: str, error: type[Exception], says: str) -> None:
    with pytest.raises(error) as refused:
        run(["prints", *shlex.split(arguments)])
    assert says in str(refused.value)


@pytest.mark.parametrize("text", TEXTS)
def test_what_stands_in_a_file_does_not_act_on_the_terminal(
    here: Path, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    cell = text[:30].replace('"', '""')
    here.joinpath("odd.csv").write_text(
        HEADER + f'20,20.1,outside,"{cell}","{cell}"\n', encoding="utf-8", newline=""
    )
    run(["prints", "odd.csv"])
    out, err = capsys.readouterr()
    assert offences(out + err, line_ends=True) == []
