"""The simulated person says what really happened, and says it the same way every time."""

from __future__ import annotations

import statistics
from dataclasses import replace

import pytest

from tuner.errors import Unanswered
from tuner.messages import (
    Accepts,
    Approach,
    Ask,
    Choose,
    Confirm,
    Go,
    Length,
    Line,
    Message,
    OneOf,
    Question,
    Text,
    Words,
)
from tuner.rehearsal.faults import FAULTS, Mule, machine
from tuner.rehearsal.hands import Hands

FIRST_MOVES = (
    "about-right", "nothing", "shakes", "other-axis", "diagonal", "wrong-way", "too-far",
)  # fmt: skip
LOOKS = ("yes", "no", "unsure")


def asked(message: Message | None, accepts: Accepts | None = None) -> Question:
    """The question that the program makes of a message."""
    match message:
        case Choose():
            accepts = OneOf(message.options, message.default)
        case Confirm():
            accepts = OneOf(("yes", "no"))
        case Ask():
            accepts = Length(message.low_mm, message.high_mm, is_reading=True)
        case Text() if message.low_mm is not None:
            accepts = Length(message.low_mm, message.high_mm or 1e4, default=message.default)
        case Text():
            accepts = Words(message.default)
    assert accepts is not None
    return Question(Line("TEXT", message.key if message else "engine"), accepts, message)


def choose(key: str, *options: str, default: str = "") -> Question:
    return asked(Choose(key=key, options=options, default=default))


def free(axis: str, side: str, high_mm: float | None = 10_000.0) -> Question:
    return asked(Text(key=f"{axis}.free-{side}", low_mm=0.0, high_mm=high_mm))


def reading(axis: str, n: int) -> Question:
    return asked(
        Ask(key=f"{axis}.near.1", axis=axis, at_mm=0.0, approach="plus", n=n, low_mm=0.0,
            high_mm=150.0)
    )  # fmt: skip


def consent(axis: str) -> Question:
    move = Approach(
        key=f"{axis}.first", axis=axis, to_mm=1.0, approach="plus", over_mm=0.0,
        feed_mm_per_min=60.0,
    )  # fmt: skip
    return asked(move, Go())


FIRST_MOVE = {axis: choose(f"{axis}.first-move", *FIRST_MOVES) for axis in "xyz"}


def at_work(fault: str | None = None, axis: str | None = None, seed: int = 1) -> tuple[Mule, Hands]:
    mule = machine(fault, axis, seed)
    mule.clock.advance(1.0)
    mule.true_mm()
    return mule, Hands(mule, seed)


def send(mule: Mule, *lines: str, seconds: float = 60.0) -> None:
    for line in ("G21", "G91", *lines):
        mule.controller.receive(f"{line}\n".encode(), mule.clock.now_s())
    mule.clock.advance(seconds)


def move_first(mule: Mule, hands: Hands, axis: str, by_mm: float = 1.0) -> None:
    assert hands.answer(consent(axis)) == "go"
    send(mule, f"G1 {axis.upper()}{by_mm:g} F60")


# --- the first move ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "axis", "by_mm", "answer", "says"),
    [
        (None, "x", 1.0, "about-right", "X moved about 0.8 mm to the plus side"),
        (None, "z", 1.0, "about-right", "Z moved about 1.2 mm to the plus side"),
        ("none", "y", -1.0, "about-right", "Y moved about 1.0 mm to the minus side"),
        ("step-angle", "x", 1.0, "about-right", "X moved about 0.5 mm to the plus side"),
        ("microsteps", "x", 1.0, "about-right", "X moved about 2.0 mm to the plus side"),
        ("play", "x", 1.0, "about-right", "X moved about 0.8 mm to the plus side"),
        ("inch-units", "x", 1.0, "too-far", "X moved about 25.4 mm to the plus side"),
        ("inch-units", "z", -1.0, "too-far", "Z moved about 25.4 mm to the minus side"),
        ("wrong-way", "x", 1.0, "wrong-way", "X moved about 1.0 mm to the minus side"),
        ("wrong-way", "z", -1.0, "wrong-way", "Z moved about 1.0 mm to the plus side"),
        ("not-powered", "y", 1.0, "nothing",
         "nothing is seen to move, not on Y and nowhere else"),
        ("swapped-plugs", "x", 1.0, "other-axis", "Y moved about 1.0 mm to the plus side"),
        ("swapped-plugs", "z", 1.0, "other-axis", "Y moved about 10.0 mm to the plus side"),
        ("stored-number", "x", 1.0, "about-right", "X moved about 1.2 mm to the plus side"),
        ("belt-pitch", "x", 1.0, "about-right", "X moved about 1.0 mm to the plus side"),
        ("none", "x", 0.05, "nothing", "nothing is seen to move, not on X and nowhere else"),
    ],
)  # fmt: skip
def test_first_move_is_what_physics_did(
    fault: str | None, axis: str, by_mm: float, answer: str, says: str
) -> None:
    mule, hands = at_work(fault, axis)
    move_first(mule, hands, axis, by_mm)
    assert hands.caliper_shows(FIRST_MOVE[axis]) == says
    assert hands.answer(FIRST_MOVE[axis]) == answer


def test_every_fault_has_a_first_move() -> None:
    for fault in FAULTS.values():
        mule, hands = at_work(fault.name)
        move_first(mule, hands, fault.axis)
        assert hands.answer(FIRST_MOVE[fault.axis]) in FIRST_MOVES


def test_two_axes_at_once_are_diagonal() -> None:
    mule, hands = at_work("none")
    hands.answer(consent("x"))
    send(mule, "G1 X1 Y1 F60")
    assert hands.answer(FIRST_MOVE["x"]) == "diagonal"
    assert hands.caliper_shows(FIRST_MOVE["x"]) == (
        "X moved about 1.0 mm to the plus side, Y moved about 1.0 mm to the plus side"
    )


def test_a_move_that_was_not_commanded_is_too_far() -> None:
    mule, hands = at_work("none")
    hands.answer(consent("x"))
    mule.carriages["x"].turn(800)
    assert hands.answer(FIRST_MOVE["x"]) == "too-far"


def test_only_what_moved_since_the_last_go_counts() -> None:
    mule, hands = at_work("none")
    move_first(mule, hands, "y")
    move_first(mule, hands, "x")
    assert hands.answer(FIRST_MOVE["x"]) == "about-right"
    move_first(mule, hands, "x", 0.0)
    assert hands.answer(FIRST_MOVE["x"]) == "nothing"


def test_an_interactive_person_is_shown_the_same_move() -> None:
    """No answer passes through here then, only the questions that are shown."""
    mule, hands = at_work("none")
    send(mule, "G1 X10 F600")
    assert hands.caliper_shows(consent("x")) is None
    send(mule, "G1 X1 F60")
    assert hands.caliper_shows(FIRST_MOVE["x"]) == "X moved about 1.0 mm to the plus side"


# --- readings ---------------------------------------------------------------------------


def test_readings_follow_the_true_place() -> None:
    mule, hands = at_work("none", seed=7)
    start_mm = float(hands.answer(reading("x", 1)))
    assert 57.9 < start_mm < 62.1
    send(mule, "G1 X50 F1200")
    assert float(hands.answer(reading("x", 1))) - start_mm == pytest.approx(49.99, abs=0.011)


def test_readings_depend_on_seed_axis_and_number_alone() -> None:
    _, hands = at_work("none", seed=3)
    first = [hands.answer(reading("x", n)) for n in range(1, 9)]
    _, again = at_work("none", seed=3)
    backwards = [again.answer(reading("x", n)) for n in range(8, 0, -1)]
    assert first == backwards[::-1]
    assert len(set(first)) > 3
    _, other = at_work("none", seed=4)
    assert [other.answer(reading("x", n)) for n in range(1, 9)] != first
    assert [hands.answer(reading("y", n)) for n in range(1, 9)] != first


def test_noise_is_normal_with_the_stated_spread() -> None:
    """2000 readings: spread, and middle against mean, within four standard errors."""
    _, hands = at_work("none", seed=5)
    shown = [hands.caliper_shows(reading("x", n)) or "" for n in range(2000)]
    values = [float(one.removeprefix("the caliper shows ").removesuffix(" mm")) for one in shown]
    spread = statistics.stdev(values)
    assert spread == pytest.approx(0.0202, abs=4 * 0.02 / 4000**0.5)  # rounding adds 0.0002
    # The middle one stands on the caliper's grid of 0.01 mm, so it is up to half of that off.
    off_mm = statistics.fmean(values) - statistics.median(values)
    assert abs(off_mm) <= 0.005 + 4 * 0.02 / 2000**0.5
    within = sum(abs(one - statistics.fmean(values)) <= 0.02 for one in values) / 2000
    assert 0.60 < within < 0.76  # 0.68 of a normal distribution, give or take the grid


def test_the_fixed_face_sits_anywhere_within_its_spread() -> None:
    """200 seeds: uniform over 58 to 62 mm, so the mean is 60 with a standard error of 0.08."""
    shown = [
        float(Hands(machine("none", None, seed), seed).answer(reading("x", 1)))
        for seed in range(200)
    ]
    assert statistics.fmean(shown) == pytest.approx(60.0, abs=4 * 4 / 12**0.5 / 200**0.5)
    assert min(shown) < 58.5
    assert max(shown) > 61.5


def test_known_readings_stay_as_they_are() -> None:
    """A session that is taken up again, in another process, must read the same numbers."""
    _, hands = at_work("none", seed=1)
    assert [hands.answer(reading("x", n)) for n in (1, 2, 3)] == ["61.70", "61.72", "61.67"]


@pytest.mark.parametrize(("by_mm", "in_reach"), [(85.0, True), (-50.0, True), (95.0, False),
                                                 (-70.0, False)])  # fmt: skip
def test_beyond_the_caliper_the_person_stops(by_mm: float, in_reach: bool) -> None:
    mule, hands = at_work("none")
    send(mule, f"G1 X{by_mm:g} F3000")
    shown, typed = hands.caliper_shows(reading("x", 1)), hands.answer(reading("x", 1))
    if in_reach:
        assert shown == f"the caliper shows {typed} mm"
    else:
        assert (shown, typed) == ("the caliper cannot reach that far", "stop")


@pytest.mark.parametrize("which", ["zero-first", "zero-last"])
def test_closed_jaws_show_zero(which: str) -> None:
    _, hands = at_work()
    question = asked(
        Ask(key=f"x.{which}", axis="x", at_mm=0.0, approach="plus", n=0, low_mm=-1.0, high_mm=1.0)
    )
    assert hands.caliper_shows(question) == "the caliper shows 0.00 mm"
    assert hands.answer(question) == "0.00"
    assert hands.answer(asked(Text(key=f"x.{which}", low_mm=-1.0, high_mm=1.0))) == "0.00"


def test_answers_take_time_and_looks_at_the_caliper_do_not() -> None:
    mule, hands = at_work()
    hands.caliper_shows(reading("x", 1))
    assert mule.clock.now_s() == 1.0
    hands.answer(reading("x", 1))
    assert mule.clock.now_s() == 9.0
    hands.answer(consent("x"))
    assert mule.clock.now_s() == 11.0


# --- free travel and standstill ---------------------------------------------------------


def test_free_travel_is_rounded_down() -> None:
    mule, hands = at_work("none")
    assert hands.answer(free("x", "minus")) == "100"
    assert hands.answer(free("x", "plus")) == "120"
    assert hands.answer(free("z", "minus")) == "50"
    assert hands.answer(free("z", "plus")) == "70"
    send(mule, "G1 X10.5 F600")
    assert hands.answer(free("x", "minus")) == "110"
    assert hands.answer(free("x", "plus")) == "109"
    assert hands.answer(free("x", "plus", 80.0)) == "80"
    assert hands.answer(free("x", "plus", None)) == "109"
    assert hands.caliper_shows(free("x", "plus")) == "X has 109 mm free to the plus side"


def test_free_travel_beyond_the_range_is_none() -> None:
    mule, hands = at_work("none")
    send(mule, "G1 X122 F6000")
    assert hands.answer(free("x", "plus")) == "0"


def test_still_or_moving() -> None:
    mule, hands = at_work("none")
    question = choose("x.still", "yes", "no")
    assert hands.caliper_shows(question) == "everything is still"
    assert hands.answer(question) == "yes"
    send(mule, "G1 X10 F60", seconds=1.0)
    assert hands.caliper_shows(question) == "something still moves"
    assert hands.answer(question) == "no"


@pytest.mark.parametrize(
    ("fault", "answer", "says"),
    [("none", "yes", "X holds"), ("not-powered", "no", "X gives way")],
)
def test_holding(fault: str, answer: str, says: str) -> None:
    _, hands = at_work(fault)
    question = choose("x.holds", "yes", "no")
    assert (hands.answer(question), hands.caliper_shows(question)) == (answer, says)


# --- looks ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "key", "answer", "says"),
    [
        (None, "x.look.pulley-teeth.16", "yes", "the pulley has 16 teeth"),
        (None, "x.look.pulley-teeth.18", "no", "the pulley has 16 teeth"),
        (None, "x.look.pulley-teeth", "yes", "the pulley has 16 teeth"),
        (None, "y.look.pulley-teeth", "no", "the pulley has 20 teeth"),
        (None, "z.look.pulley-teeth.16", "unsure", None),
        (None, "z.look.screw-lead.5", "yes", "one turn of the screw moves the nut 5 mm"),
        (None, "z.look.screw-lead.5.0", "yes", "one turn of the screw moves the nut 5 mm"),
        (None, "x.look.screw-lead.5", "unsure", None),
        ("step-angle", "x.look.step-angle.0.9", "yes",
         "the label on the motor says 0.9 degrees per step"),
        ("microsteps", "x.look.step-angle.0.9", "no",
         "the label on the motor says 1.8 degrees per step"),
        ("microsteps", "x.look.microsteps.8", "yes", "the driver is set to 8 microsteps"),
        ("step-angle", "x.look.microsteps.8", "no", "the driver is set to 16 microsteps"),
        ("belt-pitch", "x.look.belt-pitch.2.032", "yes",
         "50 teeth of the belt measure 101.6 mm"),
        ("none", "x.look.belt-pitch.2.032", "no", "50 teeth of the belt measure 100.0 mm"),
        ("none", "z.look.belt-pitch.2.032", "unsure", None),
        ("stored-number", "x.look.stored-number", "yes",
         "the controller holds 100 steps per mm"),
        ("none", "x.look.stored-number", "no", "the controller holds 80 steps per mm"),
        ("play", "x.look.play", "yes", "the carriage can be pushed to and fro"),
        ("none", "x.look.play", "no", "the carriage cannot be pushed"),
        ("eccentric-pulley", "x.look.eccentric-pulley", "yes", "the pulley runs out of round"),
        ("none", "x.look.eccentric-pulley", "no", "the pulley runs true"),
        ("inch-units", "x.look.inch-units", "yes", "the controller counts in inches"),
        ("none", "x.look.inch-units", "no", "the controller counts in millimetres"),
        ("wrong-way", "x.look.reversed", "yes", "the motor's plug is turned"),
        ("none", "x.look.reversed", "no", "the motor's plug is the right way round"),
        ("not-powered", "x.look.not-powered", "yes", "the motor's plug is loose"),
        ("none", "x.look.not-powered", "no", "the motor's plug sits firmly"),
        ("swapped-plugs", "y.look.wrong-axis", "yes",
         "the motor's plug is in another axis's place"),
        ("none", "y.look.wrong-axis", "no", "the motor's plug is in its place"),
        ("none", "x.look.gear-teeth.80", "unsure", None),
        ("none", "x.look.pulley-teeth.many", "unsure", "the pulley has 20 teeth"),
    ],
)  # fmt: skip
def test_looks(fault: str | None, key: str, answer: str, says: str | None) -> None:
    _, hands = at_work(fault)
    question = choose(key, *LOOKS)
    assert hands.answer(question) == answer
    assert hands.caliper_shows(question) == says


# --- everything else --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("question", "answer"),
    [
        (choose("job-running", "yes", "no", "unsure"), "no"),
        (choose("motor-power", "no", "yes"), "yes"),
        (choose("x.origin", "reference", "declare"), "declare"),
        (choose("x.after-look", "try-again", "leave-axis"), "leave-axis"),
        (choose("x.caliper-place", "depth-rod", "inside-jaws", "outside-jaws"), "depth-rod"),
        (choose("x.caliper-held", "mounted", "placed", default="placed"), "placed"),
        (choose("colour", "red", "green"), "red"),
        (asked(Confirm(key="power-switch")), "yes"),
        (asked(Confirm(key="x.anything")), "yes"),
        (asked(Text(key="x.job", default="as found")), "as found"),
        (asked(Text(key="x.job")), ""),
        (asked(Text(key="x.width", low_mm=0.0, high_mm=9.0, default="5")), "5"),
        (asked(Text(key="x.width", low_mm=0.0, high_mm=9.0)), "stop"),
        (asked(None, Go()), "go"),
        (asked(None, OneOf(("a", "b"))), "a"),
        (asked(None, OneOf(("a", "b"), "b")), "b"),
        (asked(None, Length(0.0, 1.0)), "stop"),
        (asked(None, Length(0.0, 1.0, default="0.5")), "0.5"),
        (asked(None, Words("note")), "note"),
    ],
)
def test_other_answers(question: Question, answer: str) -> None:
    _, hands = at_work()
    assert hands.caliper_shows(question) is None
    assert hands.answer(question) == answer


def test_a_message_that_asks_nothing_is_answered_by_form() -> None:
    _, hands = at_work()
    move = consent("x").message
    assert hands.answer(asked(move, OneOf(("again", "leave")))) == "again"


@pytest.mark.parametrize(("patience_s", "waits_s"), [(1.0, 1.0), (1.99, 1.99)])
def test_who_is_slower_than_a_question_may_wait_does_not_answer_it(
    patience_s: float, waits_s: float
) -> None:
    mule, hands = at_work()
    before_s = mule.clock.now_s()
    with pytest.raises(Unanswered):
        hands.answer(replace(choose("colour", "red", "green"), patience_s=patience_s))
    assert mule.clock.now_s() - before_s == pytest.approx(waits_s)
    assert hands.answer(replace(choose("colour", "red", "green"), patience_s=2.0)) == "red"
