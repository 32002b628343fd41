"""Coupled belts: every fault of the Pack mule's X and Y, both envelopes, and what is cut off.

Five seeds for each fault, three on one motor and two on the other; a hundred are in
``bench/procedures_coupled.py``.
"""

from __future__ import annotations

import cmath
import math
import sys
import tomllib
from collections.abc import Mapping
from pathlib import Path

import cut_off
import evidence
import pytest
from coupled_world import BELTS, MEASURED, Case, begin, changed, hold
from fakes import Hand, card, dialect
from plain_driver import PlainDriver
from responder import Axis, Responder

from tuner.errors import OutsideEnvelope, PositionUnknown
from tuner.messages import Again, Approach, Ask, Choose, Decided, Limits, Message, Reference, Reply
from tuner.plans import bench
from tuner.rehearsal.faults import FAULTS, PACK_MULE, card_text
from tuner.safety.gate import Gate

CARD = card(card_text(PACK_MULE))
SEEDS = (1, 2, 3, 4, 5)
_TO_AN_END = {"restart", "cable-loose"}  # the session ends with them, whatever is measured


@pytest.mark.parametrize("number", range(len(BELTS)), ids=lambda number: str(BELTS[number]))
def test_every_fault_is_judged_right(tmp_path: Path, number: int) -> None:
    case = BELTS[number]
    for seed in seeds_of(number):
        home = tmp_path / str(seed)
        held = hold(home, case.fault, case.axis, seed)
        assert held.status == 0
        assert set(held.findings) == {"x", "y"}
        assert case.wrong(held.findings) == []
        assert not case.is_confidently_wrong(held.findings)
        (transcript,) = cut_off.transcripts(home)
        assert evidence.check(evidence.parse(transcript)) == []


def seeds_of(number: int) -> tuple[int, ...]:
    """Return every other seed for a case; the other motor's case beside it has those between."""
    fault, motor = divmod(number, 2)
    return SEEDS[(fault + motor) % 2 :: 2]


def test_every_fault_meets_every_seed() -> None:
    met: dict[str, list[int]] = {}
    for number, case in enumerate(BELTS):
        met.setdefault(case.fault, []).extend(seeds_of(number))
    assert {tuple(sorted(seeds)) for seeds in met.values()} == {SEEDS}


@pytest.mark.parametrize("number", range(len(MEASURED)), ids=lambda n: str(MEASURED[n]))
def test_what_no_part_explains_is_measured_where_that_can_be(tmp_path: Path, number: int) -> None:
    case = MEASURED[number]
    held = case.hold(tmp_path, SEEDS[number % len(SEEDS)])
    assert held.status == 0
    assert case.wrong(held.findings) == []
    (transcript,) = cut_off.transcripts(tmp_path)
    assert evidence.check(evidence.parse(transcript)) == []


def test_the_cases_are_all_faults_that_the_belts_can_have() -> None:
    can_have = {(one.name, axis) for one in FAULTS.values() for axis in one.on.get(PACK_MULE, ())}
    met = {(one.fault, one.axis) for one in BELTS}
    for axis in ("x", "y"):
        missing = {name for name, at in can_have if at == axis} - {
            fault for fault, at in met if at == axis
        }
        assert missing == _TO_AN_END


def test_a_case_can_be_wrong() -> None:
    case = Case("pulley-teeth", "x", ("change",), ("pulley-teeth",))
    cause = {"name": "belt-pitch", "p": 0.99}
    findings = {"x": {"verdict": "change", "causes": [cause]}}
    assert case.wrong(findings) and case.is_confidently_wrong(findings)


def test_the_proposal_names_the_motor(tmp_path: Path) -> None:
    hold(tmp_path, "pulley-teeth", "y", 1)
    written = [
        tomllib.loads(path.read_text("utf-8")) for path in (tmp_path / "proposals").glob("*.toml")
    ]
    change = next(one for one in written if one["verdict"] == "change")
    assert (change["axis"], change["motor"]) == ("y", "b")
    assert change["change"] == [{"key": "axes.y.drive.pulley_teeth", "from": 20, "to": 16}]
    assert change["proposed"]["steps_per_mm"] == 100.0
    words = next((tmp_path / "proposals").glob("*-y.md")).read_text("utf-8")
    assert "motor b (on the card Y)" in words


# --- played by hand --------------------------------------------------------------------------


class Belts(Hand):
    """A hand at two belts, worked out by moving them: a = x + y, b = x - y."""

    a, b, skew_rad = 1.0, 1.0, 0.0

    def reply(self, message: Message) -> Reply:
        if not hasattr(self, "at"):
            self.at = {"x": 0.0, "y": 0.0}
        if isinstance(message, Approach):
            self.at[message.axis] = message.to_mm
        return super().reply(message)

    def reading_mm(self, ask: Ask) -> float:
        a, b = self.a * (self.at["x"] + self.at["y"]), self.b * (self.at["x"] - self.at["y"])
        x, y = (a + b) / 2.0, (a - b) / 2.0
        return round(60.0 + (x + self.skew_rad * y if ask.axis == "x" else y), 2)


def play(hand: Hand) -> dict[str, dict[str, object]]:
    result: dict[str, dict[str, object]] = hand.play(
        bench.bench(CARD, dialect(), ("x", "y"), False)
    )
    return result


USUAL: Mapping[str, object] = {
    "when": "now", "square": "not-checked", "slant": "less", "free-minus": 70.0, "free-plus": 80.0,
}  # fmt: skip


def test_by_hand_sixteen_teeth_on_motor_a() -> None:
    hand = Belts({**USUAL, "first-move": "diagonal", "x.look.pulley-teeth.16": "yes"})
    hand.a = 0.8
    found = play(hand)
    # X +100 takes belt a 80 mm and belt b 100 mm: x = 90, y = -10. Y +100: x = -10, y = 90.
    motors = found["x"]["coupled"]["motors"]  # type: ignore[index]
    assert motors["a"]["value"] == pytest.approx(0.8, abs=1e-3)
    assert motors["b"]["value"] == pytest.approx(1.0, abs=1e-3)
    assert found["x"]["verdict"] == "change" and found["y"]["verdict"] != "change"


def test_a_slant_that_a_skew_explains_decides_nothing() -> None:
    hand = Belts(USUAL)
    hand.skew_rad = 0.008
    found = play(hand)
    assert {one["verdict"] for one in found.values()} == {"cannot-tell"}
    assert "square" in str(found["x"]["next"])


def test_a_square_held_to_the_guides_lets_it_decide() -> None:
    hand = Belts({**USUAL, "square": "square"})
    hand.a, hand.b = 1.016, 1.0
    found = play(hand)
    assert found["x"]["coupled"]["apart"]  # type: ignore[index]
    assert found["y"]["verdict"] == "keep"


# --- a measured number -----------------------------------------------------------------------


@pytest.mark.parametrize(("a", "b"), [(1.0307, 1.0307), (0.9713, 0.9713)])
def test_motors_that_no_part_explains_get_a_measured_number(a: float, b: float) -> None:
    hand = Belts(USUAL)
    hand.a, hand.b = a, b
    found = play(hand)
    assert hand.keys.count("x.place-anew") == 1
    for name, scale in (("x", a), ("y", b)):
        one = found[name]
        assert one["verdict"] == "change", one["next"]
        proposal = one["proposal"]
        assert proposal["basis"] == "measured"  # type: ignore[index]
        assert list(proposal["changes"]) == ["stored.steps_per_mm"]  # type: ignore[call-overload]
        assert proposal["steps_per_mm"] == pytest.approx(80.0 / scale, rel=5e-4)  # type: ignore[index]
        assert one["scale"]["U"] < 0.0013  # type: ignore[index]
    # Each axis is read along and across in either round.
    across = [one for one in hand.of(Ask) if ".across." in one.key]
    assert [one.visit for one in across] == [1] * 8 + [2] * 8
    assert [one.axis for one in across] == (["x"] * 4 + ["y"] * 4) * 2


def test_one_motor_is_measured_where_a_square_was_held_to_the_guides() -> None:
    hand = Belts({**USUAL, "square": "square"})
    hand.a = 1.0307
    found = play(hand)
    assert (found["x"]["verdict"], found["y"]["verdict"]) == ("change", "keep")
    assert found["x"]["proposal"]["basis"] == "measured"  # type: ignore[index]
    assert found["x"]["scale"]["value"] == pytest.approx(1.0307, abs=5e-4)  # type: ignore[index]


def test_one_motor_is_not_measured_while_the_guides_may_be_skew() -> None:
    hand = Belts(USUAL)
    hand.a = 1.0307
    found = play(hand)
    assert found["x"]["verdict"] == "cannot-tell" and found["x"]["proposal"] is None
    assert "guides off square look the same" in str(found["x"]["next"])
    assert found["x"]["scale"]["value"] == pytest.approx(1.0307, abs=2e-3)  # type: ignore[index]
    # No second round: it would show the same.
    assert "x.place-anew" not in hand.keys


@pytest.mark.parametrize("gives", [1.002, 1.004])
def test_rounds_that_do_not_agree_give_no_number(gives: float) -> None:
    class Slips(Belts):
        """The second time the face along X gives way a little with every mm."""

        def reading_mm(self, ask: Ask) -> float:
            read_mm = super().reading_mm(ask)
            return round(60.0 + (read_mm - 60.0) * (gives if ask.visit == 2 else 1.0), 2)

    hand = Slips(USUAL)
    hand.a = hand.b = 1.0307
    for one in play(hand).values():
        assert one["verdict"] == "measure-again" and one["proposal"] is None
        assert "do not agree" in str(one["next"])


def test_who_does_not_place_anew_gets_no_number() -> None:
    hand = Belts({**USUAL, "place-anew": False})
    hand.a = hand.b = 1.0307
    assert {one["verdict"] for one in play(hand).values()} == {"measure-again"}


def test_faces_that_stand_otherwise_the_second_time_change_nothing() -> None:
    class Turned(Belts):
        """The faces are turned by a degree in the second round."""

        def reading_mm(self, ask: Ask) -> float:
            here = dict(self.at)
            turned = math.radians(1.0) if ask.visit == 2 else 0.0
            a, b = self.a * (here["x"] + here["y"]), self.b * (here["x"] - here["y"])
            place = complex((a + b) / 2.0, (a - b) / 2.0) * cmath.exp(-1j * turned)
            return round(60.0 + (place.real if ask.axis == "x" else place.imag), 2)

    hand = Turned(USUAL)
    hand.a = hand.b = 1.0307
    found = play(hand)
    assert {one["verdict"] for one in found.values()} == {"change"}
    assert not found["x"]["coupled"]["slanted"]  # type: ignore[index]


def test_an_effect_that_does_not_matter_is_left() -> None:
    hand = Belts({**USUAL, "square": "square"})
    hand.a = hand.b = 1.0005
    assert {one["verdict"] for one in play(hand).values()} <= {"keep", "measure-again"}


def test_a_zero_that_moved_in_the_second_round_decides_nothing() -> None:
    hand = Belts({**USUAL, "x.zero-last": [0.0, 0.3]})
    hand.a = hand.b = 1.0307
    found = play(hand)
    assert {one["verdict"] for one in found.values()} == {"measure-again"}
    assert not [key for key in hand.keys if ".look." in key]


def test_x_and_y_that_travel_differently_are_no_pair_of_motors() -> None:
    class Stretched(Belts):
        def reading_mm(self, ask: Ask) -> float:
            read_mm = super().reading_mm(ask)
            return round(60.0 + 0.9 * (read_mm - 60.0), 2) if ask.axis == "y" else read_mm

    found = play(Stretched(USUAL))
    assert {one["verdict"] for one in found.values()} == {"cannot-tell"}
    assert "no pair of motors" in str(found["x"]["next"])


@pytest.mark.parametrize(
    ("answers", "cause"),
    [
        ({"first-move": "diagonal", "slant": "as-far"}, "not-powered"),
        ({"first-move": "diagonal", "slant": "further"}, "reversed"),
        ({"first-move": "other-axis"}, "reversed"),
        ({"x.first-move": "wrong-way"}, "reversed"),
        ({"y.first-move": "wrong-way"}, "wrong-axis"),
        ({"first-move": "too-far"}, "inch-units"),
    ],
)
def test_a_first_move_that_is_wrong_ends_both(answers: dict[str, object], cause: str) -> None:
    found = play(Belts({**USUAL, **answers}))
    for one in found.values():
        assert one["verdict"] == "repair-first"
        assert [name["name"] for name in one["causes"]] == [cause]  # type: ignore[attr-defined]


def test_after_a_look_both_are_declared_and_watched_anew() -> None:
    hand = Belts({**USUAL, "x.first-move": ["nothing", "about-right"], "after-look": "try-again"})
    found = play(hand)
    assert found["x"]["verdict"] == "keep"
    assert len(hand.of(Choose, "y.first-move")) == 1
    assert [key for key in hand.keys if key.endswith("free-minus")] == [
        "x.free-minus", "y.free-minus", "x.free-minus", "y.free-minus",
    ]  # fmt: skip


def test_without_room_to_move_aside_nothing_is_said_of_the_motors() -> None:
    found = play(Belts({**USUAL, "y.free-minus": 20.0, "y.free-plus": 20.0}))
    assert {one["verdict"] for one in found.values()} == {"cannot-tell"}
    assert "room" in str(found["x"]["next"])


def test_both_are_free_before_either_moves() -> None:
    hand = Belts(USUAL)
    play(hand)
    first = next(at for at, one in enumerate(hand.messages) if isinstance(one, Approach))
    declared = {
        one.value.axis
        for one in hand.messages[:first]
        if isinstance(one, Decided) and isinstance(one.value, Limits)
    }
    assert declared == {"x", "y"}


def test_the_gate_lets_every_planned_move_through_and_checks_both() -> None:
    gate = Gate(CARD.axes, dialect(), _Still(), coupled=True)
    hand = Belts({**USUAL, "first-move": "diagonal", "x.look.pulley-teeth.16": "yes"})
    hand.a = 0.8
    usual = hand.reply

    def through(message: Message) -> Reply:
        if isinstance(message, Decided) and isinstance(message.value, Limits):
            gate.learn(message.value)
        if isinstance(message, Approach):
            for group in gate.plan(message):
                gate.arrived(group)
        return usual(message)

    hand.reply = through  # type: ignore[method-assign]
    assert play(hand)["x"]["verdict"] == "change"


class _Still:
    def now_s(self) -> float:
        return 0.0


def _limits(
    axis: str, plus_mm: float, slant: float, seen: bool = True, at_mm: float = 0.0
) -> Limits:
    scale = (0.8, 1.25) if seen else (1 / 25.4, 25.4)
    return Limits(
        axis=axis,
        minus_mm=-plus_mm,
        plus_mm=plus_mm,
        scale_low=scale[0],
        scale_high=scale[1],
        direction_seen=seen,
        at_mm=at_mm,
        slant=slant,
    )


def _to(axis: str, to_mm: float) -> Approach:
    return Approach(
        key=f"{axis}.near.1", axis=axis, to_mm=to_mm, approach="plus", over_mm=0.0,
        feed_mm_per_min=300.0,
    )  # fmt: skip


def test_a_move_that_may_take_the_other_axis_too_far_is_refused() -> None:
    gate = Gate(CARD.axes, dialect(), _Still(), coupled=True)
    gate.learn(_limits("x", 100.0, slant=0.5))
    with pytest.raises(PositionUnknown, match="Y"):
        gate.plan(_to("x", 10.0))
    gate.learn(_limits("y", 20.0, slant=0.5))
    assert gate.plan(_to("x", 40.0))
    with pytest.raises(OutsideEnvelope, match="Y to"):
        gate.plan(_to("x", 41.0))


def test_where_the_other_axis_stands_displaces_this_one() -> None:
    gate = Gate(CARD.axes, dialect(), _Still(), coupled=True)
    gate.learn(_limits("x", 50.0, slant=0.1))
    gate.learn(_limits("y", 100.0, slant=0.5, at_mm=40.0))
    assert gate.plan(_to("x", 24.0))
    with pytest.raises(OutsideEnvelope, match="X to"):
        gate.plan(_to("x", 24.1))


def test_before_a_direction_was_seen_the_slant_may_be_anything() -> None:
    gate = Gate(CARD.axes, dialect(), _Still(), coupled=True)
    gate.learn(_limits("x", 100.0, slant=0.0, seen=False))
    gate.learn(_limits("y", 20.0, slant=0.0, seen=False))
    with pytest.raises(OutsideEnvelope, match="Y to"):
        gate.plan(_to("x", 1.0))


def test_no_switch_is_searched_on_coupled_belts() -> None:
    gate = Gate(CARD.axes, dialect(), _Still(), coupled=True)
    gate.learn(_limits("x", 100.0, slant=0.5))
    with pytest.raises(OutsideEnvelope, match="may not search"):
        gate.plan(Reference(key="x.reference", axis="x", position_mm=0.0))


def test_again_approaches_the_place_across_once_more() -> None:
    class Unsure(Belts):
        asked = 0

        def reply(self, message: Message) -> Reply:
            if isinstance(message, Ask) and message.key == "x.across.2":
                self.asked += 1
                if self.asked == 1:
                    return Again()
            return super().reply(message)

    hand = Unsure(USUAL)
    assert play(hand)["x"]["verdict"] == "keep"
    assert [one.fresh for one in hand.of(Approach, "x.across.2")] == [False, True]


# --- cut off ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> cut_off.Kept:
    home = tmp_path_factory.mktemp("whole")
    with cut_off.without_waiting_for_the_disk():
        assert begin(home, "pulley-teeth", "x", 1) == 0
    return cut_off.kept(home)


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> cut_off.Kept:
    home = tmp_path_factory.mktemp("measured")
    with cut_off.without_waiting_for_the_disk(), changed(MEASURED[0].changed):
        assert begin(home, "none", "x", 1) == 0
    return cut_off.kept(home)


@pytest.mark.parametrize("part", range(12))
def test_cut_off_anywhere_it_ends_the_same(tmp_path: Path, whole: cut_off.Kept, part: int) -> None:
    ends_the_same(tmp_path, whole, part / 11, "pulley-teeth")


@pytest.mark.parametrize("part", range(8))
def test_cut_off_in_the_second_round_it_ends_the_same(
    tmp_path: Path, measured: cut_off.Kept, part: int
) -> None:
    with changed(MEASURED[0].changed):
        ends_the_same(tmp_path, measured, 0.4 + 0.6 * part / 7, "none")


def ends_the_same(tmp_path: Path, whole: cut_off.Kept, share: float, fault: str) -> None:
    step = 1 + int(share * (whole.steps - 1))
    with cut_off.without_waiting_for_the_disk():
        with pytest.raises(cut_off.CutOff), cut_off.cut_off_at(step):
            begin(tmp_path, fault, "x", 1)
        before = cut_off.kept(tmp_path)
        assert cut_off.resume(tmp_path) == 0
    now = cut_off.kept(tmp_path)
    assert set(before.readings) <= set(now.readings)
    for axis, finding in whole.result.items():
        again = now.result[axis]
        assert again["verdict"] == finding["verdict"]
        u = max(again["scale"]["U"], finding["scale"]["U"])
        assert abs(again["scale"]["value"] - finding["scale"]["value"]) <= u
    for transcript in cut_off.transcripts(tmp_path):
        records = evidence.parse(transcript)
        assert evidence.check(records) == []
        sent = [one.text for one in records if one.kind == ">"]
        assert not sent or {"M104 S0", "M140 S0"} <= set(sent)


# --- another machine -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("s_a", "s_b", "seen", "steps_per_mm", "basis"),
    [
        (0.8, 1.0, "diagonal", {"x": 100.0}, "parts"),
        (1.0307, 1.0307, "about-right", {"x": 77.62, "y": 77.62}, "measured"),
    ],
)
def test_a_whole_session_with_a_machine_that_shares_nothing(
    tmp_path: Path, s_a: float, s_b: float, seen: str, steps_per_mm: dict[str, float], basis: str
) -> None:
    file = tmp_path / "card.toml"
    text = card_text(PACK_MULE)
    file.write_text(text[: text.index("[axes.z]")], encoding="utf-8")
    axes = {
        letter: Axis(start_true_mm=0.0, low_true_mm=-200.0, high_true_mm=200.0, switch_at=None)
        for letter in "XY"
    }
    with Responder(axes, time_scale=50.0) as there:

        def caliper(axis: str, key: str, fields: Mapping[str, str]) -> str:
            if fields["n"] == "0":
                return "0.00"
            told = {letter: there.true_position(letter) for letter in "XY"}
            a, b = s_a * (told["X"] + told["Y"]), s_b * (told["X"] - told["Y"])
            return f"{60.0 + ((a + b) / 2.0 if axis.upper() == 'X' else (a - b) / 2.0):.2f}"

        driver = PlainDriver(
            [sys.executable, "-m", "tuner", "tune", str(file), "--port", there.device, "--plain",
             "--home", str(tmp_path / "home")],
            caliper=caliper,
            choices={"*.first-move": seen, "*.slant": "less", "*.square": "not-checked",
                     "*.place-anew": "yes", "*.when": "now", "x.look.pulley-teeth.16": "yes",
                     "*.look.*": "no"},
            texts={"*.free-minus": "70", "*.free-plus": "80"},
        )  # fmt: skip
        assert driver.run() == 0, driver.tail()
        assert evidence.check_bytes(bytes(there.raw)) == []
        assert there.targets_c == {"T": 0.0, "B": 0.0}
    written = [
        tomllib.loads(path.read_text("utf-8"))
        for path in (tmp_path / "home" / "proposals").glob("*.toml")
    ]
    changes = {one["axis"]: one for one in written if one["verdict"] == "change"}
    assert changes.keys() == steps_per_mm.keys()
    for axis, one in changes.items():
        assert (one["motor"], one["basis"]) == ({"x": "a", "y": "b"}[axis], basis)
        assert one["proposed"]["steps_per_mm"] == pytest.approx(steps_per_mm[axis], rel=5e-4)
