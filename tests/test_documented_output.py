"""What README.md shows of the program is what the program prints, and its JSON keys are there."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pytest
from card_mutations import OTHERS

from tuner.cli import run

README = Path(__file__).parents[1].joinpath("README.md").read_text(encoding="utf-8")
SHOWN = re.findall(r"```text\n\$ tuner (travel|convert)( .*)\n([^`]*)```", README)
_FORMS = ["travel_per_rev_mm", "travel_per_motor_rev_mm", "steps_per_mm", "mm_per_step"]


def test_something_is_shown() -> None:
    assert len(SHOWN) >= 3


@pytest.mark.parametrize(("command", "arguments", "printed"), SHOWN)
def test_what_is_shown_is_what_is_printed(
    capsys: pytest.CaptureFixture[str], command: str, arguments: str, printed: str
) -> None:
    assert run([command, *shlex.split(arguments)]) == 0
    assert capsys.readouterr().out == printed


@pytest.mark.parametrize(
    ("command", "arguments"),
    [
        ("travel", ["belt", "--pitch", "2", "--teeth", "20"]),
        ("travel", ["--card", "CARD", "--axis", "z"]),
        ("convert", ["80", "steps_per_mm"]),
        ("convert", ["--gears", "17:50", "--nominal", "3"]),
        ("card check", ["CARD"]),
    ],
)
def test_the_keys_are_the_documented_ones(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str, arguments: list[str]
) -> None:
    card = tmp_path / "card.toml"
    card.write_text(OTHERS, encoding="utf-8")
    given = [str(card) if argument == "CARD" else argument for argument in arguments]
    assert run([*command.split(), *given, "--json"]) == 0
    report = json.loads(capsys.readouterr().out)
    (row,) = re.findall(rf"^\| `{command}` \| (.*) \|$", README, re.MULTILINE)
    outer = re.sub(r"\([^)]*\)", "", row)
    documented = {*re.findall(r"`(\w+)`", outer), "schema"}
    if "the four forms" in outer:
        documented |= {*_FORMS}
    assert {*report} == documented
    for name, inner in re.findall(r"`(\w+)` \(([^)]*`[^)]*)\)", row):
        if report[name] is not None:
            forms = _FORMS if "the four forms" in inner else []
            assert {*report[name]} == {*re.findall(r"`(\w+)`", inner), *forms}
