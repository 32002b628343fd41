"""The feeder: each of its faults, cut off anywhere, cold, hot, refused, and by another machine.

``CASES`` of ``feeder_world`` go through the whole program and the simulated machine; what is cut
off and asked is played on the plan alone.
"""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

import cut_off
import evidence
import pytest
from fakes import Hand, card, dialect
from feeder_world import CASES, Case, is_wrong_and_confident, play
from plain_driver import PlainDriver, SeenLine
from responder import Axis, Responder

from tuner.card.dialect import HeatWords
from tuner.messages import (
    Again,
    Approach,
    Ask,
    Choose,
    Confirm,
    Decided,
    Heat,
    Interrupted,
    Limits,
    Message,
    Plan,
    Propose,
    Say,
    Undo,
    Value,
)
from tuner.metrology.applied import Promise
from tuner.plans import bench
from tuner.plans.check import Change, check
from tuner.rehearsal.faults import FAULTS, PACK_MULE, card_text

CARD = card(card_text(PACK_MULE))
SEEDS = (1, 2, 3, 4, 5)
ANSWERS = {
    "feed-how": "free",
    "temperature": "210",
    "free-filament": True,
    "load-filament": True,
    "put-mark": True,
    "look.override-active": "no",
    "look.stored-number": "no",
    "look.gear-teeth": "yes",
}


# --- every fault of the simulated machine -------------------------------------------------


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_fault_is_judged_right(case: Case, tmp_path: Path) -> None:
    for seed in SEEDS:
        home = tmp_path / str(seed)
        played = play(home, case.fault, seed, case.how)
        assert case.is_right(played, seed), (seed, played.verdict, played.causes)
        assert not is_wrong_and_confident(case.fault, played, seed)
        (transcript,) = (home / "wire").iterdir()
        sent = [one.text for one in evidence.parse(transcript) if one.kind == ">"]
        assert {"M104 S0", "M140 S0"} <= set(sent)
        assert bool([line for line in sent if line.startswith("M104 S2")]) == (
            case.how == "hot" or case.fault == "cold-feed-refused"
        )


def test_the_cases_are_all_faults_that_a_feeder_can_have() -> None:
    can_have = {one.name for one in FAULTS.values() if "e" in one.on.get(PACK_MULE, ())}
    assert can_have == {case.fault for case in CASES}


def test_the_proposal_says_what_its_number_holds_for(tmp_path: Path) -> None:
    played = play(tmp_path, "feeder-diameter", 1)
    (file,) = (tmp_path / "proposals").glob("*.toml")
    proposal = tomllib.loads(file.read_text("utf-8"))
    assert (proposal["verdict"], proposal["basis"]) == ("change", "measured")
    assert "this filament and this pressure" in proposal["next"]
    assert any("this filament and this pressure" in one for one in proposal["upsets"])
    assert "1000 mm of filament" in file.with_suffix(".md").read_text("utf-8")
    assert proposal["change"][0]["to"] == played.steps_per_mm


# What can hurt somebody, and the words that must have been shown before it can.
BEFORE_HEAT = {
    "burns": "it burns at a touch",
    "what drips": "what drips from it",
    "fumes": "air the room",
    "fire": "nothing near that can burn",
    "left alone": "stay here, power switch in reach",
    "hot for long": "Once off it stays hot for minutes",
}
BEFORE_FEED = {
    "drawn in": "Its wheel draws in fingers, hair, sleeves",
    "whips": "a loose end whips",
    "hands": "Caliper and hands out, nobody leaning in",
    "switch": "power switch in reach",
}
BEFORE_A_HOT_FEED = {
    "melt": "Melt burns",
    "fumes": "its fumes harm",
    "hot": "Hot surfaces, burns on touch: nozzle 2",
}
BEFORE_A_LOOK = {
    "power": "switch the machine off and unplug it",
    "plugs": "never pull the plug of a powered motor",
}


@pytest.mark.parametrize(
    ("how", "sent", "hazards"),
    [
        ("hot", "HEAT e.heat", BEFORE_HEAT),
        ("free", "MOVE e.first", BEFORE_FEED),
        ("hot", "MOVE e.first", BEFORE_FEED | BEFORE_A_HOT_FEED),
        ("hot", "CHOICE e.look.gear-teeth", BEFORE_A_LOOK),
    ],
)
def test_every_hazard_is_said_before_it_is_there(
    how: str, sent: str, hazards: Mapping[str, str], tmp_path: Path
) -> None:
    before, found, _ = play(tmp_path, "gear-teeth", 1, how).said.partition(f"\n{sent} ")
    assert found
    (*_, last) = before.split("\nCAUTION ")
    shown = before if sent.startswith("CHOICE") else last
    for hazard, words in hazards.items():
        assert words in shown, hazard


def test_who_is_done_with_heat_hears_that_the_nozzle_is_still_hot(tmp_path: Path) -> None:
    said = play(tmp_path, "none", 1, "hot").said
    off = said.index("NOTE e.heat-off | every heater reports that it is off")
    assert off < said.index("stays hot for minutes: hands off it") < said.index("RESULT e")


HANDS_OFF = "Nozzle at 210 °C: do not touch it. "


@pytest.mark.parametrize("how", ["free", "hot"])
def test_hands_are_sent_to_a_hot_feeder_with_its_temperature(how: str) -> None:
    is_hot, told = False, []
    for one in whole(how).hand.messages:
        if isinstance(one, Heat):
            is_hot = one.target_c > 0
        elif isinstance(one, Ask | Confirm):
            assert one.says.startswith(HANDS_OFF) == is_hot, one
            told += [type(one)] if is_hot else []
    assert {*told} == ({Ask, Confirm} if how == "hot" else set())


def test_repeats_of_a_distance_are_counted_and_have_a_reason() -> None:
    mark = [one.says for one in whole("free").hand.of(Ask, "mark")[:5]]
    assert [one[: len("Reading 1 of 5")] for one in mark] == [
        f"Reading {number} of 5" for number in range(1, 6)
    ]
    assert all("repeats tell how well the mark can be read" in one for one in mark)
    assert whole("free").hand.of(Ask, "ladder.one")[0].says == (
        "From the inlet to the mark, along the filament: how far?"
    )


# --- the plan alone -----------------------------------------------------------------------


def hand(scale: float = 1.0, **answers: Any) -> Hand:
    known = ANSWERS | {key.replace("_", "-"): value for key, value in answers.items()}
    return Hand(known, scale=scale, datum_mm=120.0, grows=-1)


@dataclass
class Played:
    """What was said after the last interruption, and what was read in all."""

    hand: Hand
    result: Any = None
    after: list[Message] = field(default_factory=list)
    readings: list[tuple[int, float]] = field(default_factory=list)

    @property
    def finding(self) -> Mapping[str, Any]:
        finding = self.result["e"]
        assert isinstance(finding, dict)
        return finding


def playing(person: Hand, cuts: Collection[int] = (), **how: Any) -> Played:
    """Play a session of the feeder, interrupted where it has said so many messages."""
    words = how.pop("words", dialect())
    plan: Plan = bench.bench(CARD, words, ("e",), how.pop("network", False), **how)
    played = Played(person)
    try:
        message = next(plan)
        while True:
            person.messages.append(message)
            played.after.append(message)
            if len(person.messages) in cuts:
                played.after = []
                message = plan.throw(Interrupted())
                continue
            reply = person.reply(message)
            if isinstance(message, Ask) and isinstance(reply, Value):
                played.readings.append((message.n, reply.value))
            message = plan.send(reply)
    except StopIteration as ended:
        played.result = ended.value
    return played


@cache
def whole(how: str) -> Played:
    return playing(hand(0.98, feed_how=how))


LONGEST = max(len(whole(how).hand.messages) for how in ("free", "hot"))


@pytest.mark.parametrize("how", ["free", "hot"])
@pytest.mark.parametrize("cut", range(1, LONGEST + 1))
def test_wherever_it_is_cut_off_the_readings_and_the_verdict_stay(how: str, cut: int) -> None:
    played, expected = playing(hand(0.98, feed_how=how), {cut}), whole(how).finding
    assert played.finding["verdict"] == expected["verdict"] == "change"
    wide = max(played.finding["scale"]["U"], expected["scale"]["U"])
    assert abs(played.finding["scale"]["value"] - expected["scale"]["value"]) <= wide
    *_, last = [one for one in played.after if isinstance(one, Propose) and not one.draft]
    kept = [(one["n"], one["reading_mm"]) for one in last.finding["readings"]]
    assert kept == played.readings
    feeds = [at for at, one in enumerate(played.after) if isinstance(one, Approach)]
    if not feeds:
        return
    assert played.after[feeds[0]].key == "e.first"
    before = played.after[: feeds[0]]
    limits = [
        one.value for one in before if isinstance(one, Decided) and isinstance(one.value, Limits)
    ]
    assert not limits[-1].direction_seen
    assert limits[-1].scale_high == 25.4
    heats = [one.target_c for one in played.after if isinstance(one, Heat)]
    assert heats == ([210, 0] if how == "hot" else [])
    keys = [one.key for one in before]
    assert keys.index("greeting") < keys.index("power-switch") < keys.index("e.put-mark")


def test_where_no_feed_was_due_nothing_moves_and_the_result_is_identical() -> None:
    keys = whole("hot").hand.keys
    for cut in range(keys.index("e.again") + 1, len(keys) + 1):
        played = playing(hand(0.98, feed_how="hot"), {cut})
        assert not [one for one in played.after if isinstance(one, Approach | Ask | Heat)]
        assert played.result == whole("hot").result


def test_nothing_is_fed_faster_than_a_nozzle_melts_or_longer_than_a_minute() -> None:
    for scale in (0.5, 1.0, 2.0):
        person = hand(scale)
        playing(person)
        feeds = [one for one in person.of(Approach) if ".run." in one.key]
        speeds = sorted({one.feed_mm_per_min / 60.0 for one in feeds})
        assert len(speeds) == 2
        assert speeds[1] >= 1.5 * speeds[0]
        # 8 mm3/s through 1.75 mm: 8 / (pi 1.75^2 / 4) = 3.326 mm/s
        assert speeds[1] * scale <= 3.33
        begins = 0.0
        for one in feeds:
            begins = begins if one.to_mm > begins else 0.0
            assert (one.to_mm - begins) / one.feed_mm_per_min * 60.0 <= 60.5
            begins = one.to_mm


def test_the_places_of_a_run_are_half_turns_at_both_ends() -> None:
    person = hand()
    playing(person)
    turn_mm = 9600 / 418.6
    at = [one.to_mm for one in person.of(Approach) if ".run." in one.key][:3]
    assert at == pytest.approx([turn_mm / 2, 4 * turn_mm, 4.5 * turn_mm], abs=1e-4)


@pytest.mark.parametrize(
    ("marks", "a_speed"),
    [([120.0] * 5, 12), ([120.5, 119.5, 120.4, 119.4, 120.2], 16)],
)
def test_whose_readings_scatter_reads_more_often_and_is_told_what_is_seen(
    marks: list[float], a_speed: int
) -> None:
    person = hand(**{"e.mark": marks})
    playing(person)
    assert len([one for one in person.of(Ask) if one.visit == 2]) == a_speed
    (says,) = (one.says for one in person.of(Say, "can-see"))
    assert f"With {a_speed} of them a speed" in says


def test_four_readings_a_speed_have_to_do() -> None:
    played = playing(hand(), quick=True)
    assert played.finding["verdict"] == "keep"
    assert len(played.readings) == 4 + 2 * 4


# --- what a person can answer -------------------------------------------------------------


def test_cold_feed_that_is_refused_leads_to_the_hot_way_or_ends() -> None:
    played = playing(hand(**{"e.first": ["refused", None], "cold-refused": "hot"}))
    assert played.finding["verdict"] == "keep"
    assert played.finding["fed"]["nozzle_c"] == 210
    assert [one.target_c for one in played.hand.of(Heat)] == [210, 0]
    played = playing(hand(**{"e.first": "refused", "cold-refused": "leave-axis"}))
    assert (played.finding["verdict"], played.hand.of(Heat)) == ("cannot-tell", [])
    assert "refuses to feed" in played.finding["next"]


def test_a_hot_feed_that_is_refused_ends_with_the_heater_off() -> None:
    played = playing(hand(feed_how="hot", **{"e.first": "refused"}))
    assert played.finding["verdict"] == "cannot-tell"
    assert [one.target_c for one in played.hand.of(Heat)] == [210, 0]


@pytest.mark.parametrize(
    "how", [{"network": True}, {"words": dialect(heat=HeatWords())}], ids=["network", "no word"]
)
def test_where_it_may_not_be_heated_the_hot_way_is_not_offered(how: dict[str, Any]) -> None:
    answers = {"at-the-machine": True, "e.first": "refused"}
    played = playing(hand(**answers), **how)
    assert played.finding["verdict"] == "cannot-tell"
    assert not played.hand.of(Choose, "feed-how")
    assert not played.hand.of(Choose, "cold-refused")
    assert not played.hand.of(Heat)


@pytest.mark.parametrize("typed", ["149", "241", "hot", "210.5", ""])
def test_the_temperature_is_whole_and_under_the_cap(typed: str) -> None:
    person = hand(feed_how="hot", temperature=[typed, "240"])
    playing(person)
    assert [one.target_c for one in person.of(Heat)] == [240, 0]


@pytest.mark.parametrize(
    ("seen", "cause"),
    [
        ("nothing", "not-powered"),
        ("shakes", "motor-phase"),
        ("other-axis", "wrong-axis"),
        ("wrong-way", "reversed"),
        ("too-far", "inch-units"),
    ],
)
def test_every_answer_to_the_first_feed_has_its_branch(seen: str, cause: str) -> None:
    played = playing(hand(feed_how="hot", first_move=seen))
    assert played.finding["verdict"] == "repair-first"
    assert [one["name"] for one in played.finding["causes"]] == [cause]
    assert len(played.hand.of(Approach)) == 1
    assert [one.target_c for one in played.hand.of(Heat)] == [210, 0]


def test_a_feed_that_goes_on_ends_the_session() -> None:
    played = playing(hand(still="no"))
    assert played.finding["verdict"] == "cannot-tell"
    assert "barrier" in played.finding["next"]


def test_filament_that_does_not_follow_is_no_scale() -> None:
    played = playing(hand(0.01))
    assert played.finding["verdict"] == "repair-first"
    assert [one["name"] for one in played.finding["causes"]] == ["feeder-slip"]


def test_a_mark_too_near_is_put_on_anew() -> None:
    person = hand(**{"e.mark": [40.0]})
    played = playing(person)
    assert played.finding["verdict"] == "keep"
    assert person.of(Say, "further-out")


def test_undo_takes_a_reading_of_the_same_mark_back_and_again_asks_anew() -> None:
    person = hand(**{"e.mark": [120.0, 121.0, Undo(), Again(), 120.0, 120.0, 120.0, 120.0]})
    played = playing(person)
    asked = [(one.n, one.seat, one.may_undo) for one in person.of(Ask, "mark")[:6]]
    assert asked == [
        (1, 1, False), (2, 2, True), (3, 3, True), (2, 2, True), (2, 2, True), (3, 3, True)
    ]  # fmt: skip
    *_, last = person.of(Propose)
    assert 121.0 not in [one["reading_mm"] for one in last.finding["readings"]]
    assert played.finding["verdict"] == "keep"


def test_without_room_for_a_run_the_mark_goes_further_out() -> None:
    slow = replace(CARD.axes["e"].filament, max_feed_mm_per_s=0.2)  # type: ignore[type-var]
    there = replace(CARD, axes={"e": replace(CARD.axes["e"], filament=slow)})
    plan = bench.bench(there, dialect(), ("e",), False)
    finding = hand().play(plan)["e"]
    assert finding["verdict"] == "cannot-tell"
    assert "max_feed_mm_per_s" in finding["next"]


@pytest.mark.parametrize(("scale", "outcome"), [(1.0, "confirmed"), (0.97, "not-applied")])
def test_what_became_of_a_proposal_is_checked(scale: float, outcome: str) -> None:
    change = Change("p-1", "e", Promise(0.97, 0.002, 1 / 0.97, exact=False))
    person = hand(scale, typed_where="none")
    result = person.play(check(CARD, dialect(), change, False))
    assert result["outcome"] == outcome
    assert len(person.of(Ask)) == 4 + 2 * 4


def test_by_hand() -> None:
    """delivered = (D1 - D2) / fed, from places half a turn apart at both ends.

    Marks of 120 mm; 0.98 of what is told: 120 - 0.98 x 103.2 = 18.9 mm left. 418.6 steps feed
    0.98 mm, so 1 mm takes 418.6 / 0.98 = 427.1 steps.
    """
    finding = whole("free").finding
    assert finding["scale"]["value"] == pytest.approx(0.98, abs=1e-4)
    assert finding["proposal"]["steps_per_mm"] == pytest.approx(427.1, abs=0.2)
    assert [one["name"] for one in finding["causes"]] == ["gear-teeth"]


# --- cut off in the program ---------------------------------------------------------------


@pytest.mark.parametrize("step", [40, 95, 150, 260, 420, 500])
def test_cut_off_hot_it_is_switched_off_and_taken_up(step: int, tmp_path: Path) -> None:
    begin = ("rehearse", "--hands-off", "--axis", "e", "--fault", "feeder-slip")
    with cut_off.without_waiting_for_the_disk():
        with cut_off.cut_off_at(step), pytest.raises(cut_off.CutOff):
            cut_off.run(tmp_path, *begin)
        before = cut_off.kept(tmp_path)
        assert cut_off.resume(tmp_path) == 0
    now = cut_off.kept(tmp_path)
    assert now.result["e"]["verdict"] == "repair-first"
    assert set(before.readings) <= set(now.readings)
    assert cut_off.written_readings(tmp_path) == now.readings
    for transcript in cut_off.transcripts(tmp_path):
        assert evidence.check(evidence.parse(transcript)) == []
        sent = [one.text for one in evidence.parse(transcript) if one.kind == ">"]
        heat = max((at for at, line in enumerate(sent) if line == "M104 S210"), default=-1)
        assert not sent or "M104 S0" in sent[heat + 1 :]


# --- another machine ----------------------------------------------------------------------

FEEDER_CARD = """
schema = 1
[machine]
name = "Workbench three"
dialect = "printer"
[caliper]
range_mm = 150.0
resolution_mm = 0.01
error_limit_mm = 0.03
[axes.e]
drive = { kind = "feeder", diameter_mm = 7.3 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 140.0 }
filament_diameter_mm = 1.75
max_feed_mm_per_s = 6.0
max_temperature_c = 240
"""


def test_a_whole_session_with_a_machine_that_shares_nothing(tmp_path: Path) -> None:
    marked_at = [0.0]
    axis = Axis(
        stored_steps_per_mm=140.0,
        true_mm_per_step=1.03 / 140.0,
        start_true_mm=0.0,
        low_true_mm=-1e4,
        high_true_mm=1e4,
        switch_at=None,
    )
    file = tmp_path / "card.toml"
    file.write_text(FEEDER_CARD, encoding="utf-8")
    with Responder({"E": axis}, time_scale=100.0) as there:

        def mark(line: SeenLine) -> str | None:
            if line.shown.key == "e.put-mark" and line.shown.tag == "CHOICE":
                marked_at[0] = there.true_position("E")
            return None

        driver = PlainDriver(
            [sys.executable, "-m", "tuner", "tune", str(file), "--port", there.device, "--plain",
             "--home", str(tmp_path / "home")],
            caliper=lambda *_: f"{130.0 - (there.true_position('E') - marked_at[0]):.1f}",
            choices={"e.feed-how": "hot", "e.load-filament": "yes", "e.put-mark": "yes",
                     "e.look.*": "no"},
            texts={"e.temperature": "200"},
            answer_hook=mark,
        )  # fmt: skip
        assert driver.run() == 0, driver.tail()
        assert evidence.check_bytes(bytes(there.raw), may_heat=True) == []
        assert there.targets_c == {"T": 0.0, "B": 0.0}
        assert "M104 S200" in there.lines
        assert there.lines.index("M83") < next(
            at for at, line in enumerate(there.lines) if line.startswith("G1 E")
        )
    (path,) = (tmp_path / "home" / "proposals").glob("*.toml")
    found = tomllib.loads(path.read_text("utf-8"))
    assert found["verdict"] == "change"
    assert found["proposed"]["steps_per_mm"] == pytest.approx(140.0 / 1.03, rel=0.005)
