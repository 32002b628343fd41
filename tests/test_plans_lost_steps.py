"""The hunt for lost steps on the rehearsal machine: found, named, in order, cut off, taken up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import evidence
import pytest
from cut_off import CutOff, cut_off_at, resume
from fakes import CARD_TEXT, Hand, card, dialect
from procedures_world import HUNTS, Case, findings_in, hold, likely
from test_end_to_end import machine, session, write_card

from tuner.card.read import parse_card
from tuner.console.asked import about
from tuner.errors import OutsideEnvelope
from tuner.messages import Approach, Ask, Choose, Decided, Interrupted, Limits, Message, Reply, Say
from tuner.plans.hunt_feeds import read_feed
from tuner.plans.lost_steps import lost_steps
from tuner.safety.envelope import check_inside
from tuner.session.logbook import Logbook
from tuner.session.replay import replay

CI_SEEDS = 5
SLOW, LIMIT = 1500.0, 6000.0  # the feed of the Test slide; what its motor is good for


# --- every fault it can meet --------------------------------------------------------------


@pytest.mark.parametrize("case", HUNTS, ids=str)
def test_every_fault_it_can_meet(tmp_path: Path, case: Case) -> None:
    for seed in range(1, CI_SEEDS + 1):
        held = hold(tmp_path, case.test, case.fault, case.axis, seed)
        finding = held.findings[case.axis]
        assert held.status == 0
        assert case.is_right(finding), (seed, finding)
        assert finding["proposal"] is None
        assert not held.lines("PROPOSAL")
    assert_it_replays(tmp_path)


def assert_it_replays(home: Path) -> None:
    """Every session in `home` gives the same messages and the same result once more."""
    logbook = Logbook(home / "logbook.db")
    try:
        for name in logbook.sessions():
            head, steps = logbook.head(name), logbook.steps(name)
            assert (head.plan, head.params["test"]) == ("lost-steps", "lost-steps")
            plan = lost_steps(
                parse_card(head.card, "card"), dialect(), head.params["axes"], network=False
            )
            replayed = replay(plan, steps)
            assert replayed.result == logbook.ending(name)[1]
    finally:
        logbook.close()


# --- what it says and moves, against a hand that plays it ----------------------------------


ANSWERS = {
    "same-height": "yes",
    "same-direction": "unsure",
    "belt-tension": "firm",
    "pulley-screws": "tight",
    "runs-free": "yes",
    "got-there": "yes",
    "fastest": "200 mm/s",
    "look.override-active": "no",
}


@dataclass
class Losing(Hand):
    """A hand at an axis that stands off by `lost_mm` once it went faster than 100 mm/s."""

    lost_mm: float = 0.0
    is_lost: bool = False

    def reply(self, message: Message) -> Reply:
        if isinstance(message, Approach) and message.feed_mm_per_min > LIMIT:
            self.is_lost = True
        return super().reply(message)

    def reading_mm(self, ask: Ask) -> float:
        return round(super().reading_mm(ask) + self.lost_mm * self.is_lost, 2)


def play_it(
    lost_mm: float = 0.0, answers: Mapping[str, Any] = ANSWERS, text: str = CARD_TEXT
) -> tuple[Losing, dict[str, Any]]:
    """Play a hunt on x; the result is its finding."""
    hand = Losing(answers={**ANSWERS, **answers}, lost_mm=lost_mm)
    result = hand.play(lost_steps(card(text), dialect(), ("x",), network=False))
    return hand, result["x"]


@cache
def played(lost_mm: float = 0.0) -> tuple[Losing, dict[str, Any]]:
    return play_it(lost_mm)


def keys(hand: Losing) -> list[str]:
    return [message.key for message in hand.messages]


def cycles(hand: Losing) -> list[Approach]:
    return [
        one
        for one in hand.messages
        if isinstance(one, Approach) and one.key.endswith((".out", ".back"))
    ]


def test_it_asks_before_it_connects() -> None:
    said = keys(played()[0])
    for asked in ("x.same-height", "x.belt-tension", "x.pulley-screws", "x.runs-free"):
        assert said.index(asked) < said.index("job-running") < said.index("greeting")


def test_no_fast_move_before_the_ladder_has_read_the_scale() -> None:
    hand, _ = played()
    moves = [one for one in hand.messages if isinstance(one, Approach)]
    turn = next(number for number, one in enumerate(moves) if one.key == "x.ladder.turn")
    assert all(one.feed_mm_per_min <= 600.0 for one in moves[: turn + 1])
    fast = [number for number, one in enumerate(moves) if one.feed_mm_per_min > SLOW]
    assert fast and fast[0] > turn


def test_one_way_is_fast_and_the_other_slow_at_rising_feeds() -> None:
    hand, _ = played()
    pairs = [*zip(cycles(hand)[::2], cycles(hand)[1::2], strict=True)]
    assert [(out.approach, back.approach) for out, back in pairs] == [("plus", "minus")] * 18
    feeds = [(out.feed_mm_per_min, back.feed_mm_per_min) for out, back in pairs]
    assert feeds[:4] == [(SLOW, SLOW)] * 4
    rising = [SLOW * rise for rise in (1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0)]
    assert feeds[4:] == [pair for feed in rising for pair in ((feed, SLOW), (SLOW, feed))]


def test_the_datum_is_read_after_each_cycle() -> None:
    hand, _ = played()
    back = [one.key for one in cycles(hand) if one.key.endswith(".back")]
    read = [one.key for one in hand.messages if isinstance(one, Ask) and one.key in back]
    assert read == back


def test_no_faster_than_the_person_allows() -> None:
    hand, finding = play_it(answers={"fastest": "75 mm/s"})
    (tried,) = [one for one in hand.of(Say) if one.key == "x.feeds-tried"]
    assert tried.says.endswith(" 75 mm/s")
    assert max(one.feed_mm_per_min for one in cycles(hand)) == 4500.0
    assert finding["outcome"] == "not-reproduced"


def test_a_way_too_short_for_a_feed_is_said_and_ends_the_rise() -> None:
    lazy = CARD_TEXT.replace("[axes.x]", "[axes.x]\nacceleration_mm_per_s2 = 50.0", 1)
    hand, _ = play_it(text=lazy)
    (said,) = hand.of(Say, "feed-not-reached")
    assert "feed not reached" in said.says
    # v2 / a = 75 x 75 / 50 = 112 mm, and about 90 are there: 75 is tried, 100 no more
    assert max(one.feed_mm_per_min for one in cycles(hand)) == 4500.0


def test_it_stops_at_the_first_loss() -> None:
    hand, finding = played(-0.8)
    assert (finding["verdict"], finding["outcome"]) == ("repair-first", "lost")
    assert finding["lost"]["size_mm"] == pytest.approx(-0.8, abs=0.01)
    assert (finding["lost"]["feed_mm_per_min"], finding["lost"]["fast"]) == (7500.0, "out")
    assert (finding["passed"][-1], likely(finding)) == ([6000.0, "back"], {"lost-steps"})
    assert hand.of(Approach)[-1].key == "x.fast.5.out.back"


def test_the_answers_are_remembered_where_nothing_was_lost() -> None:
    hand, finding = play_it(answers={"same-direction": "yes", "belt-tension": "slack"})
    assert (finding["verdict"], finding["outcome"]) == ("cannot-tell", "not-reproduced")
    assert finding["asked"]["same-height"] == "yes"
    for hint in ("same place each time", "same way each time", "belt is slack"):
        assert hint in finding["hints"]
    (said,) = hand.of(Say, "x.hints")
    assert finding["hints"] in said.says
    assert 0.0 < finding["smallest_loss_mm"] < 0.3


@pytest.mark.parametrize(
    ("answers", "name"),
    [({"pulley-screws": "loose"}, "loose-pulley"), ({"runs-free": "no"}, "not-listed")],
)
def test_what_a_hand_finds_is_repaired_before_anything_moves(
    answers: dict[str, str], name: str
) -> None:
    hand, finding = play_it(answers=answers)
    assert (finding["verdict"], likely(finding)) == ("repair-first", {name})
    assert "greeting" not in keys(hand)


@pytest.mark.parametrize(
    ("belt", "pulley", "verdict", "names"),
    [
        ("yes", None, "repair-first", {"belt-jump"}),
        ("no", "no", "repair-first", {"lost-steps"}),
        ("no", "yes", "repair-first", {"loose-pulley"}),
        ("unsure", "no", "cannot-tell", {"lost-steps"}),
    ],
)
def test_four_millimetres_take_a_look_at_the_lines(
    belt: str, pulley: str | None, verdict: str, names: set[str]
) -> None:
    hand, finding = play_it(-4.0, {"look.belt-jump": belt, "look.loose-pulley": pulley})
    assert finding["verdict"] == verdict
    assert likely(finding) <= names
    assert keys(hand).index("leaving") < keys(hand).index("x.look.belt-jump")
    assert ("x.look.loose-pulley" in keys(hand)) == (pulley is not None)
    assert finding["asked"]["look.belt-jump"] == belt


def test_the_lines_are_asked_about_after_every_loss_and_only_then() -> None:
    """Lines were drawn to be looked at: also where the size alone says one lost cycle."""
    hand, finding = play_it(-0.8, {"look.belt-jump": "no", "look.loose-pulley": "no"})
    assert "x.look.belt-jump" in keys(hand) and likely(finding) == {"lost-steps"}
    turned = play_it(-0.8, {"look.belt-jump": "no", "look.loose-pulley": "yes"})[1]
    assert (turned["verdict"], likely(turned)) == ("repair-first", {"loose-pulley"})
    assert "x.look.belt-jump" not in keys(played()[0])


def test_a_zero_that_moved_needs_no_look_at_the_lines() -> None:
    hand, _ = play_it(0.8, {"zero-last": 0.8})
    assert "x.look.belt-jump" not in keys(hand)


# --- lost once, slowly ----------------------------------------------------------------------


class LosingOnce(Losing):
    """A hand at an axis that stands off by `lost_mm` from its second slow cycle on."""

    def reply(self, message: Message) -> Reply:
        if message.key == "x.slow.2.out":
            self.is_lost = True
        return super().reply(message)


def lost_once(**answers: Any) -> tuple[LosingOnce, dict[str, Any]]:
    hand = LosingOnce(answers={**ANSWERS, **answers}, lost_mm=0.8)
    return hand, hand.play(lost_steps(card(), dialect(), ("x",), network=False))["x"]


def test_what_was_lost_once_and_not_again_is_said_so() -> None:
    hand, finding = lost_once()
    assert (finding["verdict"], finding["outcome"]) == ("repair-first", "lost")
    assert (finding["lost"]["round"], finding["lost"]["rounds"]) == (2, 4)
    (said,) = [one for one in hand.of(Say) if one.tag == "RESULT"]
    assert "lost once at 25 mm/s, its usual feed, in round 2; not in 3 other rounds" in said.says
    assert "since at" not in said.says and "no feed was passed" not in said.says
    assert "too weak" not in finding["next"]


def test_after_a_loss_the_place_where_it_stands_since_is_expected() -> None:
    hand, _ = lost_once()
    back = {one.key: one for one in hand.of(Ask) if ".slow." in one.key and one.seat == 1}
    far = [
        key
        for key, one in back.items()
        if one.expected_mm is None or abs(hand.reading_mm(one) - one.expected_mm) > one.within_mm
    ]
    # The hand stands displaced now: only what was read before the loss is far from there.
    assert far == ["x.slow.1.back", "x.slow.2.back"]


def test_no_scale_is_said_across_a_loss_or_anywhere_in_the_hunt() -> None:
    hand, _ = lost_once()
    said = [one.key for one in hand.messages]
    last_fit = max(
        n for n, one in enumerate(hand.messages) if isinstance(one, Say) and one.tag == "FIT"
    )
    assert last_fit < said.index("x.datum")
    assert any("+0.80 mm from where it began" in one.says for one in hand.of(Say, "came-back"))


def test_a_loss_that_was_seen_is_kept_whatever_comes_after() -> None:
    """Cut off in a later cycle, with no room left when it is taken up."""
    hand = LosingOnce(answers=dict(ANSWERS), lost_mm=0.8)
    plan = lost_steps(card(), dialect(), ("x",), network=False)
    message = next(plan)
    while message.key != "x.slow.3.out":
        hand.messages.append(message)
        message = plan.send(hand.reply(message))
    hand.answers |= {"free-minus": 0.0, "free-plus": 0.0}
    message, finding = plan.throw(Interrupted()), None
    try:
        while True:
            hand.messages.append(message)
            message = plan.send(hand.reply(message))
    except StopIteration as ended:
        finding = ended.value["x"]
    assert finding is not None
    assert (finding["outcome"], likely(finding)) == ("lost", {"lost-steps"})
    assert finding["lost"]["size_mm"] == pytest.approx(0.8, abs=0.02)


# --- how fast ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "feed"),
    [
        ("60 mm/s", 3600.0),
        ("60", 3600.0),
        ("3600 mm/min", 3600.0),
        ("3600", 3600.0),
        ("62,5 MM/S", 3750.0),
        ("400 mm/s", 24000.0),
    ],
)
def test_any_feed_within_the_range_counts(typed: str, feed: float) -> None:
    assert read_feed(typed, 1500.0, 24000.0) == feed


@pytest.mark.parametrize(
    "typed", ["", "fast", "25 mm/s", "401 mm/s", "60 mm/min", "1e9", "-60", "6.0.0"]
)
def test_what_is_no_feed_is_refused_with_what_is_expected(typed: str) -> None:
    with pytest.raises(ValueError, match=r"mm/s|number"):
        read_feed(typed, 1500.0, 24000.0)


def test_it_rises_to_the_very_feed_that_was_typed() -> None:
    hand, finding = play_it(answers={"fastest": ["as fast as it can", "60 mm/s"]})
    assert [one.key for one in hand.of(Say, "refused")] == ["refused"]
    assert sorted({one.feed_mm_per_min for one in cycles(hand)}) == [SLOW, 2250.0, 3000.0, 3600.0]
    assert finding["outcome"] == "not-reproduced"


def test_a_question_mark_helps_with_the_feed_and_with_the_lines() -> None:
    assert "print settings" in about("x.fastest")
    assert "pulley" in about("x.look.belt-jump") and "shaft" in about("x.look.loose-pulley")


def test_moves_are_whole_millimetres() -> None:
    hand, finding = play_it(answers={"free-minus": 97.3, "free-plus": 96.6})
    assert all(one.to_mm == round(one.to_mm) for one in cycles(hand))
    assert finding["distance_mm"] == round(finding["distance_mm"])


def test_what_is_no_number_of_cycles_is_not_called_one() -> None:
    _, finding = play_it(0.37)
    assert (finding["verdict"], likely(finding)) == ("cannot-tell", {"not-listed"})
    assert "whether what the caliper reads from has moved" in finding["next"]


def test_a_zero_that_moved_is_no_loss() -> None:
    _, finding = play_it(0.8, {"zero-last": 0.8})
    assert (finding["verdict"], likely(finding)) == ("measure-again", {"datum-moved"})


def test_an_axis_that_comes_back_elsewhere_is_loose() -> None:
    """What a loose pulley does whose screws nobody could see."""
    random = Random(3)

    class Loose(Losing):
        def reading_mm(self, ask: Ask) -> float:
            off_mm = random.uniform(-0.6, 0.6) if ".slow." in ask.key and ask.seat == 1 else 0.0
            return round(super().reading_mm(ask) + off_mm, 2)

    hand = Loose(answers={**ANSWERS, "pulley-screws": "unsure"})
    finding = hand.play(lost_steps(card(), dialect(), ("x",), network=False))["x"]
    assert (finding["verdict"], finding["outcome"]) == ("repair-first", "scatter")
    assert max(one.feed_mm_per_min for one in hand.of(Approach)) == SLOW


def test_a_vertical_axis_is_blocked_before_it_moves_and_again_after_an_interruption() -> None:
    upright = CARD_TEXT.replace("[axes.x]", "[axes.x]\nvertical = true", 1)
    hand = Losing(answers={**ANSWERS, "block-below": [False, True, True]})
    plan = lost_steps(card(upright), dialect(), ("x",), network=False)
    message = next(plan)
    while message.key != "x.fast.1.out.out":
        hand.messages.append(message)
        message = plan.send(hand.reply(message))
    said = keys(hand)
    assert said.count("x.block-below") == 2 and said.count("x.block-first") == 1
    assert said.index("x.block-first") < said.index("x.first")
    hand.messages.clear()
    message = plan.throw(Interrupted())
    while message.key != "x.first":
        hand.messages.append(message)
        message = plan.send(hand.reply(message))
    plan.close()
    assert keys(hand).count("x.block-below") == 1


def test_no_line_is_too_long_to_be_said_whole() -> None:
    for hand, _ in (played(), played(-0.8), play_it(0.37), play_it(answers={"runs-free": "no"})):
        for said in (*hand.of(Say), *hand.of(Choose)):
            assert len(said.says) + len(said.key) < 340, said


# --- the way back of an axis that lost everything -------------------------------------------


def told_to_the_gate(hand: Losing) -> list[tuple[Limits, list[Approach]]]:
    """Return each set of limits with the moves that it has to let through."""
    told: list[tuple[Limits, list[Approach]]] = []
    for message in hand.messages:
        if isinstance(message, Decided) and isinstance(message.value, Limits):
            told.append((message.value, []))
        elif isinstance(message, Approach):
            told[-1][1].append(message)
    return told


def test_the_way_back_is_free_for_an_axis_that_lost_the_whole_way() -> None:
    hand, _ = played()
    astray = [(limits, moves) for limits, moves in told_to_the_gate(hand) if limits.astray_mm > 3]
    assert len(astray) == 18
    for limits, moves in astray:
        (back,) = moves
        assert back.key.endswith(".back")
        # Lost on the way out, all of it is driven once more to the other side.
        way_mm = cycles(hand)[0].to_mm - back.to_mm
        assert limits.astray_mm >= way_mm * limits.scale_high
        check_inside(limits, back.to_mm)
        assert limits.minus_mm <= back.to_mm - way_mm and back.to_mm + way_mm <= limits.plus_mm


def test_an_envelope_without_that_room_refuses_the_way_back() -> None:
    hand, _ = played()
    limits, (back,) = next(one for one in told_to_the_gate(hand) if one[0].astray_mm > 3)
    with pytest.raises(OutsideEnvelope):
        check_inside(replace(limits, minus_mm=limits.minus_mm + 20.0), back.to_mm)
    check_inside(replace(limits, minus_mm=limits.minus_mm + 20.0, astray_mm=0.0), back.to_mm)


def test_too_little_room_is_said_before_anything_goes_out() -> None:
    hand, finding = play_it(answers={"free-minus": 26.0, "free-plus": 26.0})
    assert (finding["verdict"], finding["outcome"], cycles(hand)) == ("cannot-tell", "", [])
    assert "further from its ends" in finding["next"]


# --- whole sessions: cut off, consents, another machine --------------------------------------


def steps_of(home: Path) -> int:
    logbook = Logbook(home / "logbook.db")
    try:
        return len(logbook.steps(logbook.sessions()[-1]))
    finally:
        logbook.close()


@pytest.mark.parametrize("share", [n / 16 + Random(n).random() / 16 for n in range(16)])
def test_cut_off_anywhere_and_taken_up_it_finds_the_same(tmp_path: Path, share: float) -> None:
    whole = hold(tmp_path / "whole", "lost-steps", "torque-limit", "x", 3)
    at = max(1, int(share * steps_of(tmp_path / "whole")))
    home = tmp_path / "cut"
    with pytest.raises(CutOff), cut_off_at(at):
        hold(home, "lost-steps", "torque-limit", "x", 3)
    assert resume(home) == 0
    now, then = findings_in(home)["x"], whole.findings["x"]
    assert (now["verdict"], now["outcome"]) == (then["verdict"], then["outcome"])
    assert likely(now) == likely(then) == {"lost-steps"}
    assert_it_replays(home)


def test_each_move_has_its_caution_and_fast_ones_say_how_fast(tmp_path: Path) -> None:
    held = hold(tmp_path, "lost-steps", "torque-limit", "x", 2)
    cautions, moves = held.lines("CAUTION"), held.lines("MOVE")
    assert len(cautions) == len(moves) > 20
    fast = [one for one in cautions if ".fast." in one]
    assert all("Caliper and hands out" in one and "mm/s" in one for one in fast)
    # In full where it gets faster than 50 and than 100 mm/s, each way.
    for key, feed in (("3.out.out", 75), ("3.back.back", 75), ("5.out.out", 125)):
        (said,) = [one for one in fast if f"x.fast.{key} " in one]
        assert f", {feed} mm/s." in said and "can crush" in said
    # What lost the whole way would be driven to the other end.
    back = next(one for one in cautions if "x.slow.1.back" in one)
    assert "Toward the end of its free travel" in back


def test_another_machine_behind_a_pseudo_terminal(tmp_path: Path) -> None:
    with machine(0.0125, time_scale=40.0) as there:

        def reads(axis: str, key: str, fields: Any) -> str:
            if fields["n"] == "0":
                return "0.00"
            gone = any(int(line.rsplit("F", 1)[1]) >= 7500 for line in there.lines if "F" in line)
            return f"{there.true_position('X') - 40.0 - 0.8 * gone:.2f}"

        driver = session(
            there,
            write_card(tmp_path),
            tmp_path / "home",
            "--test",
            "lost-steps",
            choices={
                "*.same-*": "unsure",
                "*.belt-tension": "firm",
                "*.pulley-screws": "tight",
                "*.runs-free": "yes",
                "*.got-there": "yes",
            },
            texts={"x.free-minus": "95", "x.free-plus": "115", "*.fastest": "9000 mm/min"},
        )
        driver.caliper = reads
        assert driver.run() == 0, driver.tail()
        assert evidence.check_bytes(bytes(there.raw)) == []
    (result,) = [one for one in driver.tagged("RESULT") if one.key == "x"]
    assert result.fields == {"verdict": "repair-first", "outcome": "lost"}
    assert "1 lost cycle" in result.says
