"""The plan is interrupted at every message: it goes on, keeps what was read, and moves nothing
before the machine was connected to, the free travel declared and 1 mm watched anew."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import pytest
from fakes import Hand, card, dialect

from tuner.messages import (
    Approach,
    Ask,
    Choose,
    Confirm,
    Decided,
    Interrupted,
    Limits,
    Message,
    Observe,
    Plan,
    Propose,
    Reference,
    Value,
)
from tuner.metrology.reading import Reading
from tuner.plans import bench
from tuner.plans.run import AxisRun

CARD = card()


@dataclass
class Played:
    """What was said after the last interruption, all of it, and what was answered."""

    hand: Hand
    result: Any = None
    after: list[Message] = field(default_factory=list)
    readings: list[tuple[int, float]] = field(default_factory=list)

    @property
    def keys(self) -> list[str]:
        return [message.key for message in self.after]


def play(hand: Hand, cuts: Collection[int], axes: tuple[str, ...] = ("x",), **how: Any) -> Played:
    """Play a whole session, interrupted where it has said so many messages."""
    plan: Plan = bench.bench(CARD, dialect(), axes, how.get("network", False))
    played = Played(hand)
    try:
        message = next(plan)
        while True:
            hand.messages.append(message)
            played.after.append(message)
            if len(hand.messages) in cuts:
                hand.grows *= how.get("turns", 1)
                played.after = []
                message = plan.throw(Interrupted(**how.get("left", {})))
                continue
            reply = hand.reply(message)
            if isinstance(message, Ask) and message.n and isinstance(reply, Value):
                played.readings.append((message.n, reply.value))
            message = plan.send(reply)
    except StopIteration as ended:
        played.result = ended.value
    return played


def sixteen_teeth() -> Hand:
    return Hand(scale=0.8, answers={"look.pulley-teeth.16": "yes", "look.stored-number.64": "no"})


def one_percent_long() -> Hand:
    return Hand(scale=1.007)


@cache
def cut_off(cut: int) -> Played:
    """Play a session of one axis that is cut off once."""
    return play(sixteen_teeth(), {cut})


WHOLE = play(sixteen_teeth(), ())
THREE = play(sixteen_teeth(), (), ("x", "y", "z"))
LONG = play(one_percent_long(), ())
EVERYWHERE = range(1, len(WHOLE.hand.messages) + 1)


def position_of(message: str) -> int:
    """Return at which message of the whole session something comes first, counted from 1."""
    return WHOLE.hand.keys.index(message) + 1


def proposed_readings(played: Played) -> list[tuple[int, float]]:
    *_, last = [one for one in played.after if isinstance(one, Propose) and not one.draft]
    return [(one["n"], one["reading_mm"]) for one in last.finding["readings"]]


@pytest.mark.parametrize("cut", EVERYWHERE)
def test_wherever_it_is_cut_off_the_readings_and_the_verdict_stay(cut: int) -> None:
    played = cut_off(cut)
    finding, expected = played.result["x"], WHOLE.result["x"]
    assert finding["verdict"] == expected["verdict"] == "change"
    assert finding["proposal"] == expected["proposal"]
    wide = max(finding["scale"]["U"], expected["scale"]["U"])
    assert abs(finding["scale"]["value"] - expected["scale"]["value"]) <= wide
    assert proposed_readings(played) == played.readings
    assert played.keys.count("leaving") <= 2  # the step, and the machine


@pytest.mark.parametrize("cut", EVERYWHERE)
def test_nothing_moves_before_it_was_declared_and_watched_anew(cut: int) -> None:
    after = cut_off(cut).after
    moves = [i for i, message in enumerate(after) if isinstance(message, Approach | Reference)]
    if not moves:
        return
    before = after[: moves[0]]
    keys = [message.key for message in before]
    assert after[moves[0]].key == "x.first"
    declared = next(i for i, one in enumerate(keys) if one == "x.limits")
    limits = before[declared]
    assert isinstance(limits, Decided)
    assert isinstance(limits.value, Limits)
    assert not limits.value.direction_seen
    assert limits.value.scale_high == 25.4
    for key in ("job-running", "motor-power", "greeting", "power-switch", "x.free-plus"):
        assert key in keys[:declared], key


@pytest.mark.parametrize("cut", range(position_of("x.zero-last"), len(EVERYWHERE) + 1))
def test_where_no_reading_was_due_nothing_moves_and_the_result_is_identical(cut: int) -> None:
    played = cut_off(cut)
    assert not [one for one in played.after if isinstance(one, Approach | Reference)]
    assert played.result == WHOLE.result
    asked = [one.key for one in played.after if isinstance(one, Ask)]
    assert asked in ([], ["x.zero-last"])


@pytest.mark.parametrize("second", range(7, 180, 29))
@pytest.mark.parametrize("first", [20, 60, 110])
def test_it_may_be_cut_off_again_while_it_recovers(first: int, second: int) -> None:
    played = play(sixteen_teeth(), {first, first + second, first + second + 4, first + second + 5})
    assert played.result["x"]["verdict"] == "change"
    assert proposed_readings(played) == played.readings


@pytest.mark.parametrize("cut", range(3, 360, 31))
def test_three_axes_each_keep_their_own(cut: int) -> None:
    played = play(sixteen_teeth(), {cut}, ("x", "y", "z"))
    assert list(played.result) == ["x", "y", "z"]
    for name, finding in played.result.items():
        assert finding["verdict"] == THREE.result[name]["verdict"]


@pytest.mark.parametrize("cut", range(30, 200, 19))
def test_a_measured_number_stays_one(cut: int) -> None:
    played = play(one_percent_long(), {cut})
    finding, whole = played.result["x"], LONG.result["x"]
    assert finding["verdict"] == whole["verdict"] == "change"
    wide = max(finding["scale"]["U"], whole["scale"]["U"])
    assert abs(finding["scale"]["value"] - whole["scale"]["value"]) <= wide


# --- what is asked, and what is not -------------------------------------------------------


def test_a_new_visit_begins_and_what_was_read_before_cannot_be_taken_back() -> None:
    cut = position_of("x.near.1")
    played = play(sixteen_teeth(), {cut})
    asked = [one for one in played.after if isinstance(one, Ask) and one.n]
    assert [one.n for one in asked][:2] == [5, 6]
    assert [one.may_undo for one in asked][:2] == [False, True]
    *_, last = [one for one in played.after if isinstance(one, Propose)]
    visits = [one["visit"] for one in last.finding["readings"]]
    assert visits[:4] == [1, 1, 1, 1]
    assert set(visits[4:]) == {2}


def test_whoever_cannot_go_on_yet_is_asked_again() -> None:
    hand = Hand(
        {
            "job-running": ["no", "yes", "no", "unsure", "no"],
            "motor-power": ["yes", "no", "yes"],
            "at-the-machine": [True, False, True, True, True, True],
            "placed-again": [False, True],
        },
        scale=0.8,
    )
    played = play(hand, {position_of("x.near.1") + 1}, network=True)
    keys = played.keys
    assert keys.count("greeting") == 1
    opened = keys.index("greeting")
    assert keys[:opened].count("at-the-machine") == 5
    assert keys[:opened].count("job-first") == 2
    assert keys[:opened].count("power-first") == 1
    assert keys.count("x.placed-again") == 2
    assert keys.index("x.placed-again-first") < keys.index("x.free-minus")


def test_what_a_stop_demanded_is_asked_before_the_port_is_opened() -> None:
    answers = {"is-still": [False, True], "heaters-since": ["neither", "cold"]}
    hand = Hand({**sixteen_teeth().answers, **answers}, scale=0.8)
    left = {"in_a_move": True, "heaters_on": True}
    played = play(hand, {position_of("x.near.1")}, left=left)
    before = played.keys[: played.keys.index("greeting")]
    assert before[before.index("position-unknown") :] == [
        "position-unknown", "is-still", "still-first", "is-still", "heaters-since",
        "heaters-first", "heaters-since", "job-running", "motor-power",
    ]  # fmt: skip
    assert played.keys.count("heaters-since") == 2
    assert played.result["x"]["verdict"] == "change"


@pytest.mark.parametrize("how", ["connect", "switched-off"])
def test_what_a_stop_demanded_counts_also_where_it_is_only_left(how: str) -> None:
    hand = Hand({**sixteen_teeth().answers, "leave-how": how}, scale=0.8)
    left = {"in_a_move": True, "heaters_on": True}
    played = play(hand, {position_of("leaving")}, left=left)
    assert ("is-still" in played.keys) == (how == "connect")
    assert "heaters-since" not in played.keys


def test_only_readings_that_count_are_said_to_be_kept() -> None:
    asked = [one.n if isinstance(one, Ask) else 0 for one in WHOLE.hand.messages]
    for n, kept in ((2, "1 reading is"), (5, "4 readings are")):
        played = play(sixteen_teeth(), {asked.index(n) + 1})
        (placed,) = [one for one in played.after if one.key == "x.placed-again"]
        assert isinstance(placed, Confirm)
        assert placed.says.startswith(f"{kept} kept of X. ")
    run = AxisRun(CARD.axes["x"], CARD.caliper)
    one = Reading(0.0, 60.0, "plus", n=1, visit=1, time_s=0.0)
    run.readings, run.withdrawn = [one], [replace(one, n=2)]
    assert run.counting == 1


def test_the_caliper_is_placed_anew_only_where_it_has_been_read() -> None:
    played = play(sixteen_teeth(), {position_of("x.free-minus")})
    assert "x.placed-again" not in played.keys
    assert "x.zero-first" not in played.keys


@pytest.mark.parametrize(
    ("how", "opened"), [("connect", ["greeting", "leaving"]), ("switched-off", [])]
)
def test_leaving_again_connects_unless_the_machine_is_off(how: str, opened: list[str]) -> None:
    hand = sixteen_teeth()
    hand.answers = {**hand.answers, "leave-how": how}
    hand.__post_init__()
    played = play(hand, {position_of("leaving")})
    assert [one.what for one in played.after if isinstance(one, Observe)] == opened
    (question,) = [one for one in played.after if one.key == "leave-how"]
    assert isinstance(question, Choose)
    assert question.default == ""
    assert "motor-power" not in played.keys
    assert played.result == WHOLE.result


def test_leaving_again_waits_for_a_job_to_end() -> None:
    hand = sixteen_teeth()
    hand.answers = {**hand.answers, "job-running": ["no", "yes", "no"]}
    hand.__post_init__()
    played = play(hand, {position_of("leaving") + 1})
    assert played.keys.count("job-first") == 1
    assert played.keys.index("job-first") < played.keys.index("greeting")


def test_looks_that_were_done_are_not_asked_for_again() -> None:
    looks = [key for key in WHOLE.hand.keys if ".look." in key]
    assert len(looks) == 2
    played = play(sixteen_teeth(), {position_of(looks[1])})
    assert [key for key in played.keys if ".look." in key] == looks[1:]
    assert "x.power-off" in played.keys


def test_an_axis_that_ended_before_it_was_read_stays_ended() -> None:
    hand = Hand({"first-move": "wrong-way"})
    whole = play(hand, ())
    result_at = whole.hand.keys.index("x.next") + 1
    played = play(Hand({"first-move": "wrong-way"}), {result_at}, ("x",))
    assert played.result == whole.result
    assert not [one for one in played.after if isinstance(one, Approach)]


def test_a_caliper_that_faces_another_way_than_before_joins_no_readings() -> None:
    hand = Hand({"reading-direction": "yes"}, scale=0.8)
    played = play(hand, {position_of("x.near.1")}, turns=-1)
    finding = played.result["x"]
    assert (finding["verdict"], finding["proposal"]) == ("cannot-tell", None)
    assert "see which way the caliper faces" in finding["next"]
    assert "x.reading-direction" not in played.keys
    whole = play(Hand({"reading-direction": "yes"}, scale=0.8, grows=-1), ())
    assert "x.reading-direction" in whole.keys
    assert whole.result["x"]["verdict"] == "change"
