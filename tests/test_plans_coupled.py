"""Coupled belts: every fault of the Pack mule's X and Y, both envelopes, and what is cut off.

One seed of five for each fault and motor; a hundred are in ``bench/procedures_coupled.py``.
"""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Mapping
from pathlib import Path

import cut_off
import evidence
import pytest
from coupled_world import BELTS, Case, begin, hold
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
    held = hold(tmp_path, case.fault, case.axis, SEEDS[number % len(SEEDS)])
    assert held.status == 0
    assert set(held.findings) == {"x", "y"}
    assert case.wrong(held.findings) == []
    assert not case.is_confidently_wrong(held.findings)
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


@pytest.mark.parametrize("part", range(12))
def test_cut_off_anywhere_it_ends_the_same(tmp_path: Path, whole: cut_off.Kept, part: int) -> None:
    step = 1 + part * (whole.steps - 1) // 11
    with cut_off.without_waiting_for_the_disk():
        with pytest.raises(cut_off.CutOff), cut_off.cut_off_at(step):
            begin(tmp_path, "pulley-teeth", "x", 1)
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


def test_a_whole_session_with_a_machine_that_shares_nothing(tmp_path: Path) -> None:
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
            a, b = 0.8 * (told["X"] + told["Y"]), told["X"] - told["Y"]
            return f"{60.0 + ((a + b) / 2.0 if axis.upper() == 'X' else (a - b) / 2.0):.2f}"

        driver = PlainDriver(
            [sys.executable, "-m", "tuner", "tune", str(file), "--port", there.device, "--plain",
             "--home", str(tmp_path / "home")],
            caliper=caliper,
            choices={"*.first-move": "diagonal", "*.slant": "less", "*.square": "not-checked",
                     "*.when": "now", "x.look.pulley-teeth.16": "yes", "*.look.*": "no"},
            texts={"*.free-minus": "70", "*.free-plus": "80"},
        )  # fmt: skip
        assert driver.run() == 0, driver.tail()
        assert evidence.check_bytes(bytes(there.raw)) == []
        assert there.targets_c == {"T": 0.0, "B": 0.0}
    (path,) = (tmp_path / "home" / "proposals").glob("*-x.toml")
    found = tomllib.loads(path.read_text("utf-8"))
    assert (found["verdict"], found["motor"]) == ("change", "a")
    assert found["proposed"]["steps_per_mm"] == 100.0
