"""``tuner squareness`` and ``--test``: what is typed, what is printed, what is refused."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tuner import cli
from tuner.errors import BadReadings, UsedWrongly
from tuner.plans.procedures import PROCEDURES

FRAME = ("--told", "100", "100", "--sides", "100.04", "99,99", "--diagonals", "141.66", "141.18")


def found(capsys: pytest.CaptureFixture[str], *typed: str) -> dict[str, Any]:
    assert cli.run(["squareness", *typed, "--json"]) == 0
    return dict(json.loads(capsys.readouterr().out))


def test_one_object_for_other_programs(capsys: pytest.CaptureFixture[str]) -> None:
    said = found(capsys, *FRAME)
    # (141.66^2 - 141.18^2) / (4 x 100.04 x 99.99) = 135.7632 / 40011.9984
    assert said["cos"]["value"] == pytest.approx(0.003393062)
    assert (said["schema"], said["axes"], said["verdict"]) == (1, ["x", "y"], "repair-first")
    assert [one["value"] for one in said["scales"]] == pytest.approx([1.0004, 0.9999])
    assert "shrinkage" not in said["next"]


def test_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["squareness", *FRAME, "--printed", "--axis", "z", "--axis", "x"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.startswith("verdict: repair-first Z and X stand 89.806")
    assert "shrinkage and line width" in said


LONG = ("--told", "100", "100", "--sides", "100", "100.9", "--diagonals", "142.06", "142.06")


def test_a_side_that_is_too_long_is_no_axis_to_keep(capsys: pytest.CaptureFixture[str]) -> None:
    said = found(capsys, *LONG)
    assert said["verdict"] == "measure-again"
    assert said["next"].startswith(
        "square; Y is 0.90 % too long: measure the axis (tuner tune CARD --port PORT --axis y)"
    )
    printed = found(capsys, *LONG, "--printed")
    assert printed["verdict"] == "keep"
    assert "Y is 0.90 % too long, which may be shrinkage" in printed["next"]
    assert "measure the axis (tuner tune" in printed["next"]


def test_a_wider_uncertainty_excuses_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert found(capsys, *FRAME, "--uncertainty", "0.5")["verdict"] == "keep"


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        (("--axis", "x"), "name both"),
        (("--axis", "x", "--axis", "x"), "name both"),
        (("--uncertainty", "0"), "more than 0"),
        (("--sides", "a", "100"), "--sides"),
    ],
)
def test_used_wrongly(typed: tuple[str, ...], says: str) -> None:
    with pytest.raises(UsedWrongly, match=says):
        cli.run(["squareness", *FRAME, *typed])


def test_lengths_that_no_frame_has() -> None:
    with pytest.raises(BadReadings, match="too long"):
        cli.run(["squareness", *FRAME, "--sides", "100", "10"])


def test_the_names_that_can_be_typed_are_those_there_are() -> None:
    command = next(action for action in cli._parser()._actions if getattr(action, "choices", None))
    for name in ("rehearse", "tune"):
        (option,) = [
            one for one in command.choices[name]._actions if "--test" in one.option_strings
        ]
        assert tuple(option.choices) == tuple(PROCEDURES)


@pytest.mark.parametrize("test", ["lost-steps", "axis-test"])
def test_only_for_axes_with_a_motor_of_their_own(tmp_path: Path, test: str) -> None:
    home = ["--home", str(tmp_path)]
    with pytest.raises(UsedWrongly, match=f"--test {test}|measures"):
        cli.run([*home, "rehearse", "--hands-off", "--axis", "c", "--test", test])
