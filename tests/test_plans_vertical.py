"""A vertical axis on two screws: every fault of the Pack mule's Z, what is asked, what is cut off.

Five seeds for each fault; a hundred are in ``bench/procedures_coupled.py``.
"""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cut_off
import evidence
import pytest
from coupled_world import SCREWS, Case, begin, hold
from fakes import Hand, card, dialect, text_of
from plain_driver import PlainDriver
from responder import Axis, Responder

from tuner.messages import Approach, Ask, Confirm
from tuner.plans import bench
from tuner.rehearsal.faults import FAULTS, PACK_MULE, card_text

CARD = card(card_text(PACK_MULE))
SEEDS = (1, 2, 3, 4, 5)
_TO_AN_END = {"restart", "cable-loose"}  # the session ends with them, whatever is measured


@pytest.mark.parametrize("case", SCREWS, ids=str)
def test_every_fault_is_judged_right(tmp_path: Path, case: Case) -> None:
    for seed in SEEDS:
        home = tmp_path / str(seed)
        held = hold(home, case.fault, case.axis, seed)
        assert held.status == 0
        assert case.wrong(held.findings) == []
        (transcript,) = cut_off.transcripts(home)
        assert evidence.check(evidence.parse(transcript)) == []


def test_the_cases_are_all_faults_that_the_screws_can_have() -> None:
    can_have = {one.name for one in FAULTS.values() if "z" in one.on.get(PACK_MULE, ())}
    assert can_have - {one.fault for one in SCREWS} == _TO_AN_END


def test_every_full_caution_names_what_can_drop(tmp_path: Path) -> None:
    held = hold(tmp_path, "none", "z", 1)
    full = [line for line in held.lines("CAUTION") if "nobody leaning in" in line]
    assert full
    assert all("drop" in line and "pinch" in line for line in full)


# --- played by hand --------------------------------------------------------------------------

USUAL: Mapping[str, object] = {"screw-2.placed": True, "free-minus": 55.0, "free-plus": 85.0}


class Screws(Hand):
    """A hand at two screws, each with a scale of its own."""

    second = 1.0

    def reading_mm(self, ask: Ask) -> float:
        scale = self.second if "screw-2" in ask.key else self.scale
        lost_mm = self.play_mm / 2.0 * (1.0 if ask.approach == "plus" else -1.0)
        return round(self.datum_mm + scale * ask.at_mm - lost_mm, 2)


def play(hand: Hand, axis: str = "z") -> dict[str, Any]:
    return dict(hand.play(bench.bench(CARD, dialect(), (axis,), False))[axis])


def test_screws_that_turn_alike_are_kept() -> None:
    hand = Screws(USUAL)
    found = play(hand)
    assert found["verdict"] == "keep"
    assert [one["screw"] for one in found["screws"]] == ["screw-1", "screw-2"]
    read = [one.key for one in hand.of(Ask) if one.n]
    assert all(key.startswith(("z.screw-1.", "z.screw-2.")) for key in read)
    numbers = [one.n for one in hand.of(Ask) if one.n]
    assert numbers == list(range(1, len(numbers) + 1))


def test_by_hand_twelve_threads_to_the_inch_for_two_millimetres() -> None:
    hand = Screws(USUAL)
    hand.second = 25.4 / 12.0 / 2.0  # 1.0583
    found = play(hand)
    assert found["verdict"] == "repair-first" and found["proposal"] is None
    assert found["causes"][0]["name"] == "screw-lead"
    assert found["screws"][1]["scale"] == pytest.approx(1.0583, abs=1e-3)


def test_a_frame_that_bends_a_little_is_no_fault() -> None:
    hand = Screws(USUAL)
    hand.second = 1.0005
    assert play(hand)["verdict"] == "keep"


def test_a_screw_without_room_for_the_caliper_is_not_said_to_be_alike() -> None:
    class Cramped(Screws):
        def reading_mm(self, ask: Ask) -> float:
            if "screw-2" in ask.key:
                return 10.5 if ask.at_mm > 0.0 else 148.5
            return super().reading_mm(ask)

    found = play(Cramped(USUAL))
    assert found["verdict"] == "keep"
    assert "not every screw" in found["not_tested"]["screws"]


def test_a_screw_that_stands_still_is_unlike() -> None:
    hand = Screws(USUAL)
    hand.second = 0.0
    assert play(hand)["verdict"] == "repair-first"


def test_play_that_the_weight_takes_up_is_not_said_to_be_zero() -> None:
    found = play(Screws(USUAL))
    assert found["play_mm"] is None
    assert "weight" in found["not_tested"]["play_mm"]


def test_play_that_shows_in_spite_of_the_weight_is_said() -> None:
    assert play(Screws(USUAL, play_mm=0.4))["play_mm"]["value"] == pytest.approx(0.4, abs=0.05)


def test_a_face_that_was_nudged_is_no_loose_coupling(tmp_path: Path) -> None:
    # In this session the readings look as if every reversal lost something else.
    found = hold(tmp_path, "datum-moved", "z", 2).findings["z"]
    assert "loose-pulley" in {one["name"] for one in found["causes"]}
    assert found["verdict"] == "cannot-tell"
    assert "sit firmly" in found["next"]


def test_nothing_moves_before_a_block_stands_beside() -> None:
    hand = Screws({**USUAL, "block-beside": [False, True]})
    play(hand)
    assert hand.keys.count("z.block-beside") == 2 and "z.block-beside-first" in hand.keys
    first = next(at for at, one in enumerate(hand.messages) if isinstance(one, Approach))
    assert hand.keys.index("z.block-beside") < first
    (question, _) = hand.of(Confirm, "block-beside")
    assert "never releases" in text_of(question) and "drop" in text_of(question)


def test_the_caliper_is_placed_at_the_second_screw_first() -> None:
    hand = Screws({**USUAL, "screw-2.placed": [False, True]})
    assert play(hand)["verdict"] == "keep"
    assert "z.screw-2.placed-first" in hand.keys


# --- cut off, and another machine ------------------------------------------------------------


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> cut_off.Kept:
    home = tmp_path_factory.mktemp("whole")
    with cut_off.without_waiting_for_the_disk():
        assert begin(home, "unlike-screws", "z", 1) == 0
    return cut_off.kept(home)


@pytest.mark.parametrize("part", range(12))
def test_cut_off_anywhere_it_ends_the_same(tmp_path: Path, whole: cut_off.Kept, part: int) -> None:
    step = 1 + part * (whole.steps - 1) // 11
    with cut_off.without_waiting_for_the_disk():
        with pytest.raises(cut_off.CutOff), cut_off.cut_off_at(step):
            begin(tmp_path, "unlike-screws", "z", 1)
        before = cut_off.kept(tmp_path)
        assert cut_off.resume(tmp_path) == 0
    now = cut_off.kept(tmp_path)
    assert set(before.readings) <= set(now.readings)
    assert now.result["z"]["verdict"] == whole.result["z"]["verdict"] == "repair-first"
    assert len(now.result["z"]["screws"]) == 2


def test_a_whole_session_with_a_machine_that_shares_nothing(tmp_path: Path) -> None:
    text = card_text(PACK_MULE)
    head, rest = text[: text.index("[axes.x]")], text[text.index("[axes.z]") :]
    body = (head + rest[: rest.index("[axes.c]")]).replace('layout = "coupled-belts"\n', "")
    file = tmp_path / "card.toml"
    file.write_text(body, encoding="utf-8")
    axis = Axis(
        stored_steps_per_mm=1600.0,
        true_mm_per_step=1 / 1600.0,
        start_true_mm=60.0,
        low_true_mm=0.0,
        high_true_mm=150.0,
        switch_at=None,
    )
    with Responder({"Z": axis}, time_scale=100.0) as there:

        def caliper(_: str, key: str, fields: Mapping[str, str]) -> str:
            if fields["n"] == "0":
                return "0.00"
            scale = 1.05 if "screw-2" in key else 1.0
            return f"{60.0 + scale * (there.true_position('Z') - 60.0):.2f}"

        driver = PlainDriver(
            [sys.executable, "-m", "tuner", "tune", str(file), "--port", there.device, "--plain",
             "--home", str(tmp_path / "home")],
            caliper=caliper,
            choices={"z.block-beside": "yes", "z.screw-2.placed": "yes", "z.look.*": "no"},
            texts={"z.free-minus": "55", "z.free-plus": "85"},
        )  # fmt: skip
        assert driver.run() == 0, driver.tail()
        assert there.crashes == []
        assert evidence.check_bytes(bytes(there.raw)) == []
    (path,) = (tmp_path / "home" / "proposals").glob("*.toml")
    assert tomllib.loads(path.read_text("utf-8"))["verdict"] == "repair-first"
