"""Every procedure is interrupted at a sample of its places, and taken up again.

Every place is in ``bench/interrupted.py``.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import evidence
import pytest
from cut_off import CutOff, cut_off_at, resume, run, transcripts, without_waiting_for_the_disk
from interrupted_world import (
    PROCEDURES,
    Place,
    Procedure,
    Whole,
    held,
    places,
    tried,
    watched,
    went_far_first,
    whole,
)

from tuner.rehearsal.heater import Heater
from tuner.wire.controller import Controller, HeatersLeft

BY_NAME = {one.name: one for one in PROCEDURES}
# The first place of each kind, and how far it is to the next one: others for each procedure.
SAMPLES = {
    "feeder-cold": (73, 131),
    "feeder-hot": (43, 151),
    "coupled": (61, 331),
    "screw": (83, 181),
    "vertical": (17, 151),
    "several-screws": (29, 211),
    "rotary": (23, 89),
    "lost-steps": (71, 347),
    "axis-test": (127, 701),
    "squareness": (3, 7),
    "whole-machine": (101, 601),
    "whole-pack": (197, 811),
    "quick": (11, 109),
    "check": (19, 103),
    "mark-on-the-shaft": (31, 113),
    "mark-where-it-drops": (67, 181),
}
# Where the session is cut off that went on after it had been cut off.
TWICE = {"feeder-hot": (230, 90), "coupled": (400, 60), "rotary": (150, 40)}


@cache
def uninterrupted(name: str) -> Whole:
    with TemporaryDirectory() as home:
        return whole(BY_NAME[name], Path(home))


@pytest.mark.parametrize("name", SAMPLES)
def test_interrupted_and_taken_up_again(
    tmp_path_factory: pytest.TempPathFactory, name: str
) -> None:
    of = uninterrupted(name)
    sample = places(of, *SAMPLES[name])
    assert {place.kind for place in sample} >= {"step", "question"}
    broken = {}
    for place in sample:
        one = tried(of, [place], tmp_path_factory.mktemp(place.kind))
        if one.broken:
            broken[str(place)] = one.broken
    assert broken == {}


@pytest.mark.parametrize("name", SAMPLES)
def test_interrupted_once_all_is_read_it_reads_nothing_more(
    tmp_path_factory: pytest.TempPathFactory, name: str
) -> None:
    of = uninterrupted(name)
    home = tmp_path_factory.mktemp("read")
    assert tried(of, [of.all_read], home).broken == ()
    assert held(home).readings == of.held.readings


def test_every_procedure_is_in_the_sample() -> None:
    assert list(SAMPLES) == [one.name for one in PROCEDURES]


@pytest.mark.parametrize("name", TWICE)
def test_interrupted_again_while_it_goes_on(
    tmp_path_factory: pytest.TempPathFactory, name: str
) -> None:
    of = uninterrupted(name)
    twice = [Place("step", number) for number in TWICE[name]]
    assert tried(of, twice, tmp_path_factory.mktemp("twice")).broken == ()


# --- the filament -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "key"), [("gear-teeth", "e.free-filament"), ("feeder-slip", "e.load-filament")]
)
def test_the_filament_is_put_where_it_belongs_anew(tmp_path: Path, fault: str, key: str) -> None:
    with without_waiting_for_the_disk():
        with cut_off_at(200), pytest.raises(CutOff):
            run(tmp_path, "rehearse", "--hands-off", "--fault", fault, "--axis", "e")
        assert resume(tmp_path) == 0
    for transcript in transcripts(tmp_path):
        answers = [one.key for one in _told(transcript) if one.tag == "ANSWER"]
        assert answers.index(key) < answers.index("e.put-mark")


def _told(transcript: Path) -> list[evidence.Shown]:
    """Return what was said and answered in one run of a session, in order."""
    return [evidence.parse_shown(one.text) for one in evidence.parse(transcript) if one.kind == "~"]


# --- what must begin anew -----------------------------------------------------------------


def test_a_run_of_the_axis_test_that_was_cut_off_begins_anew_and_says_so(tmp_path: Path) -> None:
    asked = ("rehearse", "--hands-off", "--test", "axis-test", "--fault", "play", "--axis", "x")
    with without_waiting_for_the_disk():
        with cut_off_at(600), pytest.raises(CutOff):
            run(tmp_path, *asked)
        assert resume(tmp_path) == 0
    before, after = (_told(one) for one in transcripts(tmp_path))
    runs = [one.key.split(".")[1] for one in before if one.tag == "READING" and ".run-" in one.key]
    assert 0 < runs.count(runs[-1]) < 10
    (anew,) = [one for one in after if one.key == "x.run-anew"]
    assert runs[-1].replace("run-", "run ") in anew.says.lower()
    again = {one.key for one in after if one.tag == "READING" and f".{runs[-1]}." in one.key}
    assert len(again) == 10
    assert not [one for one in before if one.key == "x.run-anew"]


# --- a nozzle that nobody switched off ----------------------------------------------------


def test_a_nozzle_that_was_left_heated_is_switched_off_and_nothing_goes_on_until_it_is_cold(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def left_heated(heater: Heater) -> None:
        heater.from_c, heater.target_c = 200.0, 210.0

    of = uninterrupted("feeder-hot")
    with without_waiting_for_the_disk():
        with watched(Place("step", 300)), pytest.raises(CutOff):
            of.procedure.begin(tmp_path)
        capsys.readouterr()
        monkeypatch.setattr(Heater, "__post_init__", left_heated)
        with watched() as seen:
            assert resume(tmp_path) == 1
        said = capsys.readouterr().out
        assert "Let it cool" in said
        assert "every heater reports that it is off" in said
        assert "MOVE " not in said and "HEAT " not in said
        assert seen.mules and seen.left_warm() == []
        monkeypatch.undo()
        assert resume(tmp_path) == 0
    assert held(tmp_path).result["e"]["verdict"] == of.held.result["e"]["verdict"]


# --- those who look can find something ----------------------------------------------------


def test_a_heater_that_is_left_on_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    of = uninterrupted("feeder-hot")
    says = "every heater reports that it is off"
    monkeypatch.setattr(Controller, "heaters_off", lambda _: HeatersLeft(True, says))
    broken = tried(of, [Place("look", of.looks // 2)], tmp_path / "left")
    assert any("heater T was left at 210 degrees" in one for one in broken.broken)


def test_another_end_is_found(tmp_path: Path) -> None:
    of = uninterrupted("quick")
    play = Procedure("play", ("--quick", "--fault", "play", "--axis", "x"))
    other = replace(of, procedure=play)
    broken = tried(other, [Place("step", 200)], tmp_path / "other").broken
    assert any(one.startswith("x: verdict keep and not change") for one in broken)


@pytest.mark.parametrize(
    ("told", "found"),
    [
        (("ANSWER x.free-plus | 90", "MOVE x.first axis=X by_mm=+1.0000"), []),
        (("MOVE x.first axis=X by_mm=+1.0000",), ["x moved and its free travel was not declared"]),
        (
            ("ANSWER x.free-plus | 90", "MOVE x.near.1 axis=X by_mm=+1.0000"),
            ["x began with x.near.1 by +1.0000"],
        ),
        (
            ("ANSWER x.free-plus | 90", "MOVE x.first axis=X by_mm=-1.1000"),
            ["x began with x.first by -1.1000"],
        ),
    ],
)
def test_an_axis_that_goes_far_first_is_found(told: tuple[str, ...], found: list[str]) -> None:
    assert list(went_far_first(records_of(told))) == found


def test_an_axis_that_can_drop_and_has_no_block_is_found() -> None:
    blocked, declared = "ANSWER z.block-beside | yes", "ANSWER z.free-plus | 90"
    drawn, first = "ANSWER z.mark-drawn | yes", "MOVE z.first axis=Z by_mm=+1.0000"
    found = ["z moved and no block was seen beside it"]
    for told, expected in (
        ((declared, first), found),
        ((blocked, declared, first), []),
        ((blocked, declared, first, drawn, declared, first), found),
        ((blocked, declared, first, drawn, blocked, declared, first), []),
    ):
        assert list(went_far_first(records_of(told), {"z"})) == expected


def records_of(told: tuple[str, ...]) -> list[evidence.Record]:
    return [evidence.Record(1, 0.0, "~", line) for line in told]
