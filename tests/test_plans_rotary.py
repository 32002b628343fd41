"""An axis in degrees: every fault of the Pack mule's table, what is asked, and what is cut off."""

from __future__ import annotations

import math
import sys
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cut_off
import evidence
import pytest
from coupled_world import TABLES, Case, begin, hold
from fakes import Hand, card, dialect, text_of
from plain_driver import PlainDriver
from responder import Axis, Responder

from tuner.messages import Again, Approach, Ask, Length, Message, Reply, Text
from tuner.plans import bench
from tuner.rehearsal.faults import FAULTS, PACK_MULE, card_text

CARD = card(card_text(PACK_MULE))
SEEDS = (1, 2, 3, 4, 5)


@pytest.mark.parametrize("case", TABLES, ids=str)
def test_every_fault_is_judged_right(tmp_path: Path, case: Case) -> None:
    for seed in SEEDS:
        home = tmp_path / str(seed)
        held = hold(home, case.fault, case.axis, seed)
        assert held.status == 0
        assert case.wrong(held.findings) == []
        (transcript,) = cut_off.transcripts(home)
        assert evidence.check(evidence.parse(transcript)) == []


def test_the_cases_are_all_faults_that_a_table_can_have() -> None:
    can_have = {one.name for one in FAULTS.values() if "c" in one.on.get(PACK_MULE, ())}
    assert {one.fault for one in TABLES} == can_have


def test_the_proposal_is_in_degrees(tmp_path: Path) -> None:
    hold(tmp_path, "gear-teeth", "c", 1)
    (path,) = (tmp_path / "proposals").glob("*.toml")
    found = tomllib.loads(path.read_text("utf-8"))
    assert found["stored_form"] == "steps_per_deg"
    assert found["found"]["steps_per_deg"] == 40.0
    assert found["proposed"]["steps_per_deg"] == pytest.approx(40.0 * 89 / 90)
    assert found["change"] == [{"key": "axes.c.gears.0.driven", "from": 90, "to": 89}]
    assert {"commanded_deg", "reading_deg"} <= set(found["reading"][0])
    words = path.with_suffix(".md").read_text("utf-8")
    assert "steps per deg" in words and " mm" not in words.split("## Why")[0]


def test_what_is_shown_of_a_table_is_in_degrees(tmp_path: Path) -> None:
    held = hold(tmp_path, "none", "c", 1)
    moves = [line for line in held.lines("MOVE") if "axis=C" in line]
    assert moves and not [line for line in moves if " mm" in line]
    cautions = held.lines("CAUTION")
    assert cautions and not [line for line in cautions if " mm" in line]
    assert any("draws in" in line for line in cautions)
    assert all("unit=deg" in line for line in held.lines("READING"))


# --- played by hand --------------------------------------------------------------------------

USUAL: Mapping[str, object] = {"mark-drawn": True, "free-minus": 700.0, "free-plus": 700.0}


class Table(Hand):
    """A hand that reads an index mark."""

    def reading_mm(self, ask: Ask) -> float:
        lost = self.play_mm / 2.0 * (1.0 if ask.approach == "plus" else -1.0)
        return round(math.remainder(self.scale * ask.at_mm - lost, 360.0), 1)


def play(hand: Hand) -> dict[str, Any]:
    return dict(hand.play(bench.bench(CARD, dialect(), ("c",), False))["c"])


def test_whole_turns_are_read_from_both_sides() -> None:
    hand = Table(USUAL, scale=1.0)
    found = play(hand)
    assert found["verdict"] == "keep"
    places = [one for one in hand.of(Ask, "index") if abs(one.at_mm) > 100.0]
    assert {round(abs(one.at_mm - places[0].at_mm)) % 360 for one in places} == {0}
    assert {one.approach for one in places} == {"plus", "minus"}
    assert found["not_tested"]["periodic"].startswith("whole turns")


@pytest.mark.parametrize("scale", [0.5, 0.8, 1.25, 2.0])
def test_the_turns_are_counted_at_any_scale(scale: float) -> None:
    assert play(Table(USUAL, scale=scale))["scale"]["value"] == pytest.approx(scale, rel=1e-3)


def test_play_is_seen() -> None:
    found = play(Table(USUAL, play_mm=0.6))
    assert found["play_mm"]["value"] == pytest.approx(0.6, abs=0.15)


def test_an_unusual_scale_asks_for_another_mark() -> None:
    found = play(Table(USUAL, scale=1.0307))
    assert found["verdict"] in ("measure-again", "cannot-tell")
    assert "caliper" not in found["next"]


def test_a_mark_read_the_wrong_way_round_is_noticed() -> None:
    found = play(Table(USUAL, scale=-1.0))
    assert found["verdict"] == "measure-again"
    assert "wrong" not in found["next"] and "as plus" in found["next"]


@pytest.mark.parametrize("free", [{"free-minus": 30.0, "free-plus": 30.0}])
def test_too_little_room_is_said(free: dict[str, float]) -> None:
    found = play(Table({**USUAL, **free}))
    assert found["verdict"] == "cannot-tell"
    assert "degrees" in found["next"]


def test_less_than_a_turn_is_read_as_far_as_it_goes() -> None:
    hand = Table({**USUAL, "free-minus": 40.0, "free-plus": 200.0})
    found = play(hand)
    assert found["scale"]["value"] == pytest.approx(1.0, abs=0.01)
    reached = [one.at_mm for one in hand.of(Ask, "index")]
    assert min(reached) > -40.0 and max(reached) < 200.0


def test_nothing_moves_before_the_mark_is_drawn() -> None:
    hand = Table({**USUAL, "mark-drawn": [False, True]})
    play(hand)
    assert hand.keys.count("c.mark-drawn") == 2 and "c.mark-first" in hand.keys
    assert hand.keys.index("c.mark-drawn") < next(
        at for at, one in enumerate(hand.messages) if isinstance(one, Approach)
    )


def test_again_turns_there_once_more() -> None:
    class Unsure(Table):
        asked = 0

        def reply(self, message: Message) -> Reply:
            if isinstance(message, Ask):
                self.asked += 1
                if self.asked == 2:
                    return Again()
            return super().reply(message)

    hand = Unsure(USUAL)
    assert play(hand)["verdict"] == "keep"
    assert sum(one.fresh for one in hand.of(Approach)) == 1


def test_texts_say_degrees() -> None:
    hand = Table(USUAL)
    play(hand)
    (free,) = hand.of(Text, "c.free-plus")
    assert free.unit == "deg" and "how many deg " in text_of(free)
    assert {one.unit for one in hand.of(Ask, "index")} == {"deg"}
    assert Length(0.0, 1.0).unit == "mm"


# --- cut off, and another machine ------------------------------------------------------------


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> cut_off.Kept:
    home = tmp_path_factory.mktemp("whole")
    with cut_off.without_waiting_for_the_disk():
        assert begin(home, "gear-teeth", "c", 1) == 0
    return cut_off.kept(home)


@pytest.mark.parametrize("part", range(12))
def test_cut_off_anywhere_it_ends_the_same(tmp_path: Path, whole: cut_off.Kept, part: int) -> None:
    step = 1 + part * (whole.steps - 1) // 11
    with cut_off.without_waiting_for_the_disk():
        with pytest.raises(cut_off.CutOff), cut_off.cut_off_at(step):
            begin(tmp_path, "gear-teeth", "c", 1)
        before = cut_off.kept(tmp_path)
        assert cut_off.resume(tmp_path) == 0
    now = cut_off.kept(tmp_path)
    assert set(before.readings) <= set(now.readings)
    again, finding = now.result["c"], whole.result["c"]
    assert again["verdict"] == finding["verdict"]
    u = max(again["scale"]["U"], finding["scale"]["U"])
    assert abs(again["scale"]["value"] - finding["scale"]["value"]) <= u


def test_a_whole_session_with_a_machine_that_shares_nothing(tmp_path: Path) -> None:
    text = card_text(PACK_MULE)
    file = tmp_path / "card.toml"
    head, rest = text[: text.index("[axes.x]")], text[text.index("[axes.c]") :]
    body = (head + rest[: rest.index("[axes.e]")]).replace('layout = "coupled-belts"\n', "")
    file.write_text(body, encoding="utf-8")
    axis = Axis(
        stored_steps_per_mm=40.0,
        true_mm_per_step=90.0 / 89.0 / 40.0,
        start_true_mm=0.0,
        low_true_mm=-1e4,
        high_true_mm=1e4,
        switch_at=None,
    )
    with Responder({"C": axis}, time_scale=100.0) as there:
        driver = PlainDriver(
            [sys.executable, "-m", "tuner", "tune", str(file), "--port", there.device, "--plain",
             "--home", str(tmp_path / "home")],
            caliper=lambda *_: f"{math.remainder(there.true_position('C'), 360.0):.1f}",
            choices={"c.mark-drawn": "yes", "c.look.gear-teeth.*": "yes", "c.look.*": "no"},
            texts={"c.free-*": "700"},
        )  # fmt: skip
        assert driver.run() == 0, driver.tail()
        assert evidence.check_bytes(bytes(there.raw)) == []
    (path,) = (tmp_path / "home" / "proposals").glob("*.toml")
    found = tomllib.loads(path.read_text("utf-8"))
    assert found["verdict"] == "change"
    assert found["change"] == [{"key": "axes.c.gears.0.driven", "from": 90, "to": 89}]
