"""``tuner offset``: a shifted layer against lost cycles and belt teeth."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tuner.cli import run
from tuner.errors import BadFile, UsedWrongly

CARD = """
schema = 1
[machine]
name = "Bench mule"
layout = "independent"
dialect = "printer"
baud = 115200
[caliper]
range_mm = 150.0
resolution_mm = 0.01
error_limit_mm = 0.03
[axes.x]
drive = { kind = "belt", pitch_mm = 2.0, pulley_teeth = 20 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 80.0 }
range_mm = [0.0, 220.0]
[axes.y]
drive = { kind = "belt", pitch_mm = 2.0, pulley_teeth = 20 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 80.0 }
range_mm = [0.0, 220.0]
[axes.z]
drive = { kind = "screw", pitch_mm = 2.0, starts = 1 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 1600.0 }
range_mm = [0.0, 180.0]
[axes.a]
drive = { kind = "rotary" }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_deg = 8.888888888888889 }
range_deg = [0.0, 360.0]
"""


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    coupled = CARD.replace("independent", "coupled-belts")
    coarse = CARD.replace("pitch_mm = 2.0, starts = 1", "pitch_mm = 10.0, starts = 4")
    for name, text in (("card.toml", CARD), ("coupled.toml", coupled), ("coarse.toml", coarse)):
        tmp_path.joinpath(name).write_text(text, encoding="utf-8")


def report(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert run(["offset", *arguments, "--json"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return dict(json.loads(out))


@pytest.mark.parametrize(
    ("size", "first"),
    [
        ("1.6", ("lost-steps", 2)),
        ("-1,6", ("lost-steps", 2)),
        ("2", ("belt-jump", 1)),
        ("1.2", ("not-listed", None)),
    ],
)
def test_the_size_says_what_it_can_be(
    capsys: pytest.CaptureFixture[str], size: str, first: tuple[str, int | None]
) -> None:
    found = report(capsys, size, "--card", "card.toml", "--axis", "x")
    assert (found["as"][0]["name"], found["as"][0]["count"]) == first
    assert found["tie"] == []
    assert (found["lost_cycle_mm"], found["belt_pitch_mm"]) == (0.8, 2.0)


def test_a_card_that_contradicts_itself_is_settled_first(
    capsys: pytest.CaptureFixture[str],
) -> None:
    wrong = CARD.replace("pulley_teeth = 20", "pulley_teeth = 16")
    Path("wrong.toml").write_text(wrong, encoding="utf-8")
    assert run(["offset", "1.6", "--card", "wrong.toml", "--axis", "x"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "the card contradicts itself, and what follows goes by its parts" in text
    assert "Settle that first: tuner card check" in text
    assert run(["offset", "1.6", "--card", "card.toml", "--axis", "x"]) == 0
    assert "contradicts" not in capsys.readouterr().out


def test_a_tie_names_both_and_the_look_that_splits_them(capsys: pytest.CaptureFixture[str]) -> None:
    found = report(capsys, "4", "--card", "card.toml", "--axis", "x")
    assert found["tie"] == ["lost-steps", "belt-jump"]
    assert "the pulley off by 36 degrees" in found["next"]
    assert found["next"].startswith("power off and unplugged")


def test_a_coarser_measurement_cannot_tell_what_a_finer_one_can(
    capsys: pytest.CaptureFixture[str],
) -> None:
    coarse = report(capsys, "1.8", "--uncertainty", "0.25", "--card", "card.toml", "--axis", "x")
    assert set(coarse["tie"]) == {"lost-steps", "belt-jump"}
    fine = report(capsys, "1.61", "--uncertainty", "0.02", "--card", "card.toml", "--axis", "x")
    assert fine["tie"] == []


@pytest.mark.parametrize("uncertainty", ["0.3", "0.4", "0.5", "1.2"])
def test_the_best_fit_is_not_dropped_for_being_finer(
    capsys: pytest.CaptureFixture[str], uncertainty: str
) -> None:
    """1.6 mm are exactly two lost cycles; one tooth is 2 mm."""
    found = report(
        capsys, "1.6", "--uncertainty", uncertainty, "--card", "card.toml", "--axis", "x"
    )
    odds: dict[str, float] = {}
    for one in found["as"]:
        odds[one["name"]] = odds.get(one["name"], 0.0) + one["p"]
    assert odds["lost-steps"] > odds["belt-jump"] > 0.01
    assert {"lost-steps", "belt-jump"} <= set(found["tie"])


def test_the_next_step_is_a_command_and_no_change_of_a_number(
    capsys: pytest.CaptureFixture[str],
) -> None:
    for size in ("1.6", "2", "4", "1.2"):
        found = report(capsys, size, "--card", "card.toml", "--axis", "x")
        assert "tuner tune card.toml --port PORT --axis x --test lost-steps" in found["next"]
        assert "Do not change the stored number" in found["next"]
    # No such hunt is held on belts that move two axes.
    assert "--test" not in report(capsys, "0.8", "--card", "coupled.toml", "--axis", "x")["next"]
    coarse = ("1.6", "--uncertainty", "0.5", "--card", "card.toml", "--axis", "x")
    assert report(capsys, *coarse)["next"].startswith("measure the shift to within 0.32 mm")


def test_a_belt_has_no_nut(capsys: pytest.CaptureFixture[str]) -> None:
    found = report(capsys, "1.2", "--card", "card.toml", "--axis", "x")
    assert "screws of the pulleys" in found["next"] and "nut," not in found["next"]
    assert "nut," in report(capsys, "0.5", "--card", "coarse.toml", "--axis", "z")["next"]


def test_a_size_is_no_shift(capsys: pytest.CaptureFixture[str]) -> None:
    found = report(capsys, "100.9", "--card", "card.toml", "--axis", "x")
    assert found["next"].startswith("100.9 mm is a size, not a shift")
    assert "tuner why" in found["next"]
    assert run(["offset", "100.9", "--card", "card.toml", "--axis", "x"]) == 0
    assert "%" not in capsys.readouterr().out


def test_what_is_too_fine_to_be_counted_is_not_called_something_else(
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = report(capsys, "0.5", "--card", "card.toml", "--axis", "z")
    assert found["tie"] == ["not-listed", "lost-steps"]
    assert "0.04 mm" in found["not_tested"]["lost-steps"]
    assert found["belt_pitch_mm"] is None
    assert run(["offset", "0.5", "--card", "card.toml", "--axis", "z"]) == 0
    assert "not tested: lost-steps" in capsys.readouterr().out


def test_coupled_belts_show_half_of_what_one_of_them_loses(
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = report(capsys, "0.8", "--card", "coupled.toml", "--axis", "x")
    assert (found["as"][0]["name"], found["as"][0]["count"]) == ("lost-steps", 2)
    assert found["lost_cycle_mm"] == 0.4
    assert run(["offset", "0.8", "--card", "coupled.toml", "--axis", "x"]) == 0
    assert "two belts move this axis together" in capsys.readouterr().out


def test_for_people(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["offset", "4", "--card", "card.toml", "--axis", "x"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert max(map(len, out.splitlines())) <= 98
    assert "5 lost cycles of the motor, 0.8 mm each" in out
    assert "2 teeth of the belt, 2 mm each" in out
    assert "\n  next: power off" in out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["0", "--card", "card.toml", "--axis", "x"], "other than 0"),
        (["x", "--card", "card.toml", "--axis", "x"], "not a length"),
        (["1e999", "--card", "card.toml", "--axis", "x"], "not a length"),
        (["4000", "--card", "card.toml", "--axis", "x"], "at most 1000"),
        (["0.05", "--card", "card.toml", "--axis", "x"], "may be none at all"),
        (["1", "--uncertainty", "0", "--card", "card.toml", "--axis", "x"], "more than 0"),
        (["1", "--card", "card.toml", "--axis", "q"], "no axis q"),
        (["1", "--card", "card.toml", "--axis", "x", "--axis", "y"], "one axis at a time"),
        (["1", "--card", "card.toml"], "one axis at a time"),
    ],
)
def test_used_wrongly(arguments: list[str], says: str) -> None:
    with pytest.raises(UsedWrongly, match=says):
        run(["offset", *arguments])


def test_axes_without_layers_and_cards_that_are_none() -> None:
    with pytest.raises(UsedWrongly, match="expected one that moves in mm"):
        run(["offset", "1", "--card", "card.toml", "--axis", "a"])
    with pytest.raises(BadFile):
        run(["offset", "1", "--card", "none.toml", "--axis", "x"])


def test_the_whole_way_through_python(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "tuner", "offset", "1.6", "--card", "card.toml"]
    done = subprocess.run([*command, "--axis", "x"], capture_output=True, text=True, check=True)
    assert "2 lost cycles" in done.stdout
    wrong = subprocess.run([*command, "--axis", "q"], capture_output=True, text=True, check=False)
    assert (wrong.returncode, wrong.stdout) == (2, "")
    assert "Traceback" not in wrong.stderr
