"""``tuner rehearse`` from the command line."""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path

import pytest

from tuner.cli import run
from tuner.errors import UsedWrongly
from tuner.rehearsal.faults import FAULTS
from tuner.session.logbook import Logbook


def test_fault_without_a_name_lists_them_with_a_sentence_each(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(["rehearse", "--fault"]) == 0
    says = " ".join(capsys.readouterr().out.split())
    for fault in FAULTS.values():
        assert f"{fault.name}: {fault.says}" in says
    assert f"feeder-slip: {FAULTS['feeder-slip'].says} (Pack mule)" in says
    assert "play: The axis loses 0.30 mm whenever it turns round. loose-pulley" in says


def test_the_list_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["rehearse", "--fault", "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert listed["schema"] == 1
    assert [one["name"] for one in listed["faults"]] == list(FAULTS)
    by_name = {one["name"]: one for one in listed["faults"]}
    assert by_name["screw-lead"] == {
        "name": "screw-lead",
        "says": "The screw moves 5 mm per turn, the card says 4.",
        "machines": {"bench-mule": ["z"]},
    }
    assert by_name["play"]["machines"]["pack-mule"] == ["x", "y", "z", "c"]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--machine", "bench-donkey"], "choose one of: bench-mule, pack-mule"),
        (["--machine", "bench-mule", "--fault", "feeder-slip"], "pack-mule can"),
        (["--fault", "rust"], "there is no fault 'rust'"),
        (["--machine", "bench-mule", "--axis", "e"], "has no axis e"),
    ],
)
def test_wrong_use_is_said(tmp_path: Path, arguments: list[str], says: str) -> None:
    with pytest.raises(UsedWrongly, match=says):
        run(["rehearse", "--hands-off", "--home", str(tmp_path), *arguments])
    assert list(tmp_path.iterdir()) == []


def test_json_belongs_to_the_list(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        run(["rehearse", "--json", "--fault", "play"])
    assert left.value.code == 2
    assert "--json belongs to --fault without a name" in capsys.readouterr().err


def test_a_hunt_has_something_to_find(tmp_path: Path) -> None:
    arguments = ["--test", "lost-steps", "--axis", "y", "--hands-off", "--home", str(tmp_path)]
    assert run(["rehearse", *arguments]) == 0
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        (session,) = logbook.sessions()
        _, result = logbook.ending(session)
    assert result["y"]["outcome"] == "lost"
