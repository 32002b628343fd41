"""An axis in degrees: every fault of the Pack mule's table, what is asked, and what is cut off."""

from __future__ import annotations

import cmath
import math
import sys
import tomllib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import cut_off
import evidence
import pytest
from coupled_world import LONG_ARCS, SHORT_ARCS, TABLES, Case, begin, changed, hold, tied
from fakes import Hand, card, dialect, text_of
from plain_driver import PlainDriver
from responder import Axis, Responder

from tuner.card.schema import Card
from tuner.messages import Again, Approach, Ask, Length, Message, Reply, Say, Text
from tuner.plans import bench
from tuner.rehearsal.faults import FAULTS, PACK_MULE, card_text

CARD = card(card_text(PACK_MULE))
SEEDS = (1, 2, 3, 4, 5)


@pytest.mark.parametrize("case", TABLES, ids=str)
def test_every_fault_is_judged_right(tmp_path: Path, case: Case) -> None:
    held_right(tmp_path, case, SEEDS)


ARCS = (*LONG_ARCS, *SHORT_ARCS)


@pytest.mark.parametrize("number", range(len(ARCS)), ids=lambda number: str(ARCS[number]))
def test_every_fault_is_judged_right_at_a_radius(tmp_path: Path, number: int) -> None:
    held_right(tmp_path, ARCS[number], [SEEDS[number % len(SEEDS)]])


def held_right(tmp_path: Path, case: Case, seeds: Sequence[int]) -> None:
    for seed in seeds:
        home = tmp_path / str(seed)
        held = case.hold(home, seed)
        assert held.status == 0
        assert case.wrong(held.findings) == []
        assert not case.is_confidently_wrong(held.findings)
        (transcript,) = cut_off.transcripts(home)
        assert evidence.check(evidence.parse(transcript)) == []


@pytest.mark.parametrize("cases", [TABLES, LONG_ARCS, SHORT_ARCS])
def test_the_cases_are_all_faults_that_a_table_can_have(cases: Sequence[Case]) -> None:
    can_have = {one.name for one in FAULTS.values() if "c" in one.on.get(PACK_MULE, ())}
    assert {one.fault for one in cases} == can_have


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

USUAL: Mapping[str, object] = {
    "read-how": "index", "mark-drawn": True, "free-minus": 700.0, "free-plus": 700.0,
}  # fmt: skip


class Table(Hand):
    """A hand that reads an index mark."""

    def reading_mm(self, ask: Ask) -> float:
        lost = self.play_mm / 2.0 * (1.0 if ask.approach == "plus" else -1.0)
        return round(math.remainder(self.scale * ask.at_mm - lost, 360.0), 1)


def play(hand: Hand, on: Card = CARD) -> dict[str, Any]:
    return dict(hand.play(bench.bench(on, dialect(), ("c",), False))["c"])


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


def test_less_than_two_of_its_own_turns_is_read_as_far_as_it_goes() -> None:
    hand = Table({**USUAL, "free-minus": 250.0, "free-plus": 250.0}, scale=2.0)
    found = play(hand)
    assert found["scale"]["value"] == pytest.approx(2.0, abs=0.01)
    reached = [one.at_mm for one in hand.of(Ask, "index")]
    assert min(reached) > -125.0 and max(reached) < 125.0


def test_a_mark_that_is_read_far_off_is_asked_for_again() -> None:
    hand = Table(USUAL)
    play(hand)
    *ladder, first, _, _, _, _, _ = hand.of(Ask, "index")
    assert {one.expected_mm for one in ladder} == {None}
    assert first.within_mm == 2.0
    assert first.expected_mm == pytest.approx(math.remainder(first.at_mm, 360.0), abs=0.5)
    assert abs(first.expected_mm) < 60.0  # not on the far side of the rim


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


# --- at a radius -----------------------------------------------------------------------------

RADIUS_MM = 60.0
AT_A_RADIUS: Mapping[str, object] = {
    "read-how": "radius", "free-minus": 160.0, "free-plus": 160.0, "radius": RADIUS_MM,
    "radius-within": 0.2, "circle": True, "pointer-set": True,
}  # fmt: skip


class Disc(Hand):
    """A hand at a disc, with a pointer whose tip is 0.1 mm outside the circle of the mark.

    Worked out with the cosine rule, not by the formula of the program.
    """

    radius_mm = RADIUS_MM
    wrong: Mapping[int, float] = {}

    def reading_mm(self, ask: Ask) -> float:
        lost = self.play_mm / 2.0 * (1.0 if ask.approach == "plus" else -1.0)
        turned = math.radians(self.scale * ask.at_mm - lost)
        mark, tip = self.radius_mm, self.radius_mm + 0.1
        chord_mm = math.sqrt(mark**2 + tip**2 - 2.0 * mark * tip * math.cos(turned))
        return round(self.wrong.get(ask.n, chord_mm), 2)


def test_chords_are_read_on_both_sides_up_and_down() -> None:
    hand = Disc(AT_A_RADIUS)
    found = play(hand)
    assert found["verdict"] == "keep" and found["unit"] == "deg"
    assert found["scale"]["value"] == pytest.approx(1.0, abs=5e-4)
    assert found["chord"]["fitted_radius_mm"] == pytest.approx(60.05, abs=0.02)
    assert found["not_tested"]["periodic"].startswith("less than a turn")
    chords = hand.of(Ask, "chord")[-8:]
    assert [one.at_mm for one in chords] == [one.at_mm for one in reversed(chords)]
    assert [one.approach for one in chords] == ["plus"] * 4 + ["minus"] * 4
    assert {one.unit for one in chords} == {"mm"}
    # No further than half a turn and a sixth, where a chord hardly grows.
    assert max(abs(one.at_mm) for one in chords) < 150.0


@pytest.mark.parametrize("scale", [0.5, 0.8, 1.25, 2.0])
def test_a_chord_shows_any_scale(scale: float) -> None:
    found = play(Disc(AT_A_RADIUS, scale=scale))
    assert abs(found["scale"]["value"] - scale) < found["scale"]["U"] < 0.01 * scale


def test_play_is_seen_at_a_radius_in_degrees() -> None:
    found = play(Disc(AT_A_RADIUS, play_mm=0.6))
    assert found["play_mm"]["value"] == pytest.approx(0.6, abs=0.1)


def test_a_card_that_forbids_whole_turns_leads_to_the_radius() -> None:
    tied = card(card_text(PACK_MULE).replace("[-720.0, 720.0]", "[-150.0, 150.0]"))
    hand = Disc({**AT_A_RADIUS, "free-minus": 150.0, "free-plus": 150.0})
    assert play(hand, tied)["verdict"] == "keep"
    assert "c.no-whole-turn" in hand.keys and "c.read-how" not in hand.keys


def test_what_is_free_leads_to_the_radius() -> None:
    hand = Disc({**AT_A_RADIUS, "read-how": "index", "mark-drawn": True})
    assert play(hand)["verdict"] == "keep"
    assert hand.keys.index("c.no-whole-turn") > hand.keys.index("c.free-plus")
    assert not hand.of(Ask, "index")


def test_no_place_is_beyond_what_is_free_or_what_the_caliper_spans() -> None:
    hand = Disc({**AT_A_RADIUS, "free-minus": 40.0, "radius": 100.0, "circle": True})
    hand.radius_mm = 100.0
    play(hand)
    shown_mm = [hand.reading_mm(one) for one in hand.of(Ask, "chord")]
    assert max(shown_mm) < 149.0
    assert min(one.at_mm for one in hand.of(Ask, "chord")) > -40.0


@pytest.mark.parametrize(("minus", "plus"), [(8.0, 120.0), (120.0, 8.0)])
def test_all_places_may_be_on_one_side(minus: float, plus: float) -> None:
    hand = Disc({**AT_A_RADIUS, "free-minus": minus, "free-plus": plus})
    found = play(hand)
    assert abs(found["scale"]["value"] - 1.0) < found["scale"]["U"]
    sides = {one.at_mm > 0.0 for one in hand.of(Ask, "chord")}
    assert sides == {plus > minus}


@pytest.mark.parametrize("free_deg", [9.0, 35.0])
def test_too_little_room_is_said(free_deg: float) -> None:
    found = play(Disc({**AT_A_RADIUS, "free-minus": free_deg, "free-plus": free_deg}))
    assert found["verdict"] == "cannot-tell"
    assert "degrees" in found["next"]


def test_a_short_arc_says_that_the_radius_is_what_limits_it() -> None:
    hand = Disc({**AT_A_RADIUS, "free-minus": 60.0, "free-plus": 60.0})
    found = play(hand)
    assert found["verdict"] == "measure-again" and "120 degrees" in found["next"]
    (plan,) = hand.of(Say, "c.plan")
    assert "takes a radius of" in plan.says


def test_the_width_of_the_circle_for_its_radius_is_noticed() -> None:
    hand = Disc({**AT_A_RADIUS, "radius": 2.0 * RADIUS_MM})
    found = play(hand)
    assert found["verdict"] == "measure-again" and found["proposal"] is None
    assert "measure it again" in found["next"]
    # And it led no further than the card allows for.
    assert max(abs(one.at_mm) for one in hand.of(Ask, "chord")) <= 160.0 / 1.05


def test_a_radius_that_is_not_so_is_asked_for_again() -> None:
    hand = Disc({**AT_A_RADIUS, "radius": [120.0, RADIUS_MM], "circle": [False, True]})
    assert play(hand)["chord"]["radius_mm"] == RADIUS_MM


@pytest.mark.parametrize("n", [1, 2, 3, 4])
def test_a_chord_of_the_ladder_that_fits_no_line_ends_it(n: int) -> None:
    hand = Disc(AT_A_RADIUS)
    hand.wrong = {n: 30.0}
    found = play(hand)
    assert found["verdict"] == "measure-again"
    assert "30.00" in found["next"]
    assert len(hand.of(Ask, "chord")) <= n + 1


def test_a_chord_far_off_is_asked_for_again() -> None:
    hand = Disc(AT_A_RADIUS)
    play(hand)
    for one in hand.of(Ask, "chord")[-8:]:
        assert one.expected_mm == pytest.approx(hand.reading_mm(one), abs=one.within_mm)


def test_chords_that_stay_the_same_are_no_scale() -> None:
    class Stuck(Disc):
        def reading_mm(self, ask: Ask) -> float:
            return super().reading_mm(ask) if ask.n < 5 else math.copysign(0.0, ask.at_mm)

    assert play(Stuck(AT_A_RADIUS))["verdict"] in ("measure-again", "cannot-tell")


def test_nothing_turns_before_the_pointer_is_set() -> None:
    hand = Disc({**AT_A_RADIUS, "pointer-set": [False, True]})
    play(hand)
    assert hand.keys.count("c.pointer-set") == 2 and "c.pointer-first" in hand.keys
    assert hand.keys.index("c.pointer-set") < hand.keys.index("c.chord")


def test_a_zero_that_moved_decides_nothing() -> None:
    hand = Disc({**AT_A_RADIUS, "zero-last": 0.2}, scale=0.5)
    found = play(hand)
    assert found["verdict"] == "measure-again" and "zero moved" in found["next"]
    assert not [key for key in hand.keys if ".look." in key]


def test_an_unusual_scale_asks_for_another_radius() -> None:
    found = play(Disc(AT_A_RADIUS, scale=1.0307))
    assert found["verdict"] in ("measure-again", "cannot-tell")


# --- cut off, and another machine ------------------------------------------------------------


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> cut_off.Kept:
    home = tmp_path_factory.mktemp("whole")
    with cut_off.without_waiting_for_the_disk():
        assert begin(home, "gear-teeth", "c", 1) == 0
    return cut_off.kept(home)


@pytest.fixture(scope="module")
def whole_at_a_radius(tmp_path_factory: pytest.TempPathFactory) -> cut_off.Kept:
    home = tmp_path_factory.mktemp("radius")
    with cut_off.without_waiting_for_the_disk(), changed(tied(150.0)):
        assert begin(home, "stored-number", "c", 1) == 0
    return cut_off.kept(home)


@pytest.mark.parametrize("part", range(12))
def test_cut_off_anywhere_at_a_radius_it_ends_the_same(
    tmp_path: Path, whole_at_a_radius: cut_off.Kept, part: int
) -> None:
    step = 1 + part * (whole_at_a_radius.steps - 1) // 11
    with cut_off.without_waiting_for_the_disk(), changed(tied(150.0)):
        with pytest.raises(cut_off.CutOff), cut_off.cut_off_at(step):
            begin(tmp_path, "stored-number", "c", 1)
        before = cut_off.kept(tmp_path)
        assert cut_off.resume(tmp_path) == 0
    now = cut_off.kept(tmp_path)
    assert set(before.readings) <= set(now.readings)
    again, finding = now.result["c"], whole_at_a_radius.result["c"]
    assert again["verdict"] == finding["verdict"] == "change"
    u = max(again["scale"]["U"], finding["scale"]["U"])
    assert abs(again["scale"]["value"] - finding["scale"]["value"]) <= u


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


_SHOWS: Mapping[str, Callable[[float], float]] = {
    "index": lambda turned_deg: round(math.remainder(turned_deg, 360.0), 1),
    # The mark and the tip of the pointer as points of the plane.
    "radius": lambda turned_deg: abs(
        cmath.rect(RADIUS_MM, math.radians(turned_deg)) - complex(RADIUS_MM)
    ),
}


@pytest.mark.parametrize(
    ("how", "factor", "free", "change"),
    [
        ("index", 90.0 / 89.0, "700", {"key": "axes.c.gears.0.driven", "from": 90, "to": 89}),
        ("radius", 2.0, "160", {"key": "axes.c.motor.microsteps", "from": 16, "to": 8}),
    ],
)
def test_a_whole_session_with_a_machine_that_shares_nothing(
    tmp_path: Path, how: str, factor: float, free: str, change: dict[str, object]
) -> None:
    text = card_text(PACK_MULE)
    file = tmp_path / "card.toml"
    head, rest = text[: text.index("[axes.x]")], text[text.index("[axes.c]") :]
    body = (head + rest[: rest.index("[axes.e]")]).replace('layout = "coupled-belts"\n', "")
    file.write_text(body, encoding="utf-8")
    axis = Axis(
        stored_steps_per_mm=40.0,
        true_mm_per_step=factor / 40.0,
        start_true_mm=0.0,
        low_true_mm=-1e4,
        high_true_mm=1e4,
        switch_at=None,
    )

    def caliper(_axis: str, _key: str, fields: Mapping[str, str]) -> str:
        return "0.00" if fields["n"] == "0" else f"{_SHOWS[how](there.true_position('C')):.2f}"

    with Responder({"C": axis}, time_scale=100.0) as there:
        driver = PlainDriver(
            [sys.executable, "-m", "tuner", "tune", str(file), "--port", there.device, "--plain",
             "--home", str(tmp_path / "home")],
            caliper=caliper,
            choices={"c.read-how": how, "c.mark-drawn": "yes", "c.circle": "yes",
                     "c.pointer-set": "yes", "c.look.gear-teeth.*": "yes",
                     "c.look.microsteps.*": "yes", "c.look.*": "no"},
            texts={"c.free-*": free, "c.radius": f"{RADIUS_MM:g}", "c.radius-within": "0.1"},
        )  # fmt: skip
        assert driver.run() == 0, driver.tail()
        assert evidence.check_bytes(bytes(there.raw)) == []
    (path,) = (tmp_path / "home" / "proposals").glob("*.toml")
    found = tomllib.loads(path.read_text("utf-8"))
    assert found["verdict"] == "change"
    assert found["change"] == [change]
