"""The simulated person says what really happened, and says it the same way every time."""

from __future__ import annotations

import math
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
from tuner.rehearsal.faults import FAULTS, PACK_MULE, Mule, machine
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


FIRST_MOVE = {axis: choose(f"{axis}.first-move", *FIRST_MOVES) for axis in "xyzce"}


def at_work(
    fault: str | None = None, axis: str | None = None, seed: int = 1, name: str | None = None
) -> tuple[Mule, Hands]:
    mule = machine(fault, axis, seed, name)
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
        ("motor-phase", "x", 1.0, "shakes", "X shakes and stays where it is"),
        ("motor-phase", "x", 0.0, "nothing", "nothing is seen to move, not on X and nowhere else"),
        ("none", "c", 10.0, "about-right", "C moved about 9.9 degrees to the plus side"),
        ("wrong-way", "c", 10.0, "wrong-way", "C moved about 9.9 degrees to the minus side"),
    ],
)  # fmt: skip
def test_first_move_is_what_physics_did(
    fault: str | None, axis: str, by_mm: float, answer: str, says: str
) -> None:
    mule, hands = at_work(fault, axis)
    move_first(mule, hands, axis, by_mm)
    assert hands.caliper_shows(FIRST_MOVE[axis]) == says
    assert hands.answer(FIRST_MOVE[axis]) == answer


def test_every_fault_has_a_first_move_on_every_machine_that_can_have_it() -> None:
    for fault in FAULTS.values():
        for name, (axis, *_) in fault.on.items():
            mule, hands = at_work(fault.name, axis, name=name)
            move_first(mule, hands, axis)
            assert hands.answer(FIRST_MOVE[axis]) in FIRST_MOVES


@pytest.mark.parametrize(
    ("fault", "axis", "asked_of", "answer"),
    [
        ("none", "x", "x", "about-right"),
        ("pulley-teeth", "x", "x", "diagonal"),
        ("not-powered", "x", "y", "diagonal"),
        ("motor-phase", "y", "x", "diagonal"),
        ("wrong-way", "x", "x", "other-axis"),
        ("swapped-plugs", "x", "x", "about-right"),
        ("swapped-plugs", "x", "y", "wrong-way"),
    ],
)
def test_first_moves_of_coupled_belts(fault: str, axis: str, asked_of: str, answer: str) -> None:
    mule, hands = at_work(fault, axis, name=PACK_MULE)
    move_first(mule, hands, asked_of)
    assert hands.answer(FIRST_MOVE[asked_of]) == answer


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
        ("gear-teeth", "e.look.gear-teeth.50", "yes", "the large wheel has 50 teeth"),
        ("feeder-slip", "e.look.gear-teeth.50", "no", "the large wheel has 51 teeth"),
        ("feeder-diameter", "e.look.feeder-diameter.7.15", "yes",
         "the caliper shows 7.15 mm across the feeder's wheel"),
        ("feeder-slip", "e.look.feeder-diameter", "no",
         "the caliper shows 7.30 mm across the feeder's wheel"),
        ("none", "x.look.feeder-diameter.7.15", "unsure", None),
        ("loose-pulley", "x.look.loose-pulley", "yes", "the pulley turns on its shaft"),
        ("play", "x.look.loose-pulley", "no", "the pulley sits firmly on its shaft"),
        ("motor-phase", "x.look.motor-phase", "yes", "a pin of the motor's plug is bent"),
        ("none", "x.look.motor-phase", "no", "every pin of the motor's plug is straight"),
        ("eccentric-idler", "x.look.eccentric-pulley", "no", "the pulley runs true"),
        ("eccentric-idler", "x.look.periodic-elsewhere", "yes",
         "a wheel behind the pulley wobbles"),
        ("eccentric-pulley", "x.look.periodic-elsewhere", "no",
         "the wheels behind the pulley run true"),
        ("flow-override", "e.look.override-active", "yes", "the panel does not show 100 %"),
        ("speed-override", "x.look.override-active", "yes", "the panel does not show 100 %"),
        ("none", "x.look.override-active", "no", "the panel shows 100 %"),
        ("lost-steps", "x.look.lost-steps", "no",
         "the mark on the motor's shaft is in its place"),
        ("belt-jump", "x.look.belt-jump", "no",
         "the mark on the belt is at that on the pulley"),
        ("hot-driver", "x.look.hot-driver", "no", "the driver is warm at most"),
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
    assert hands.answer(question) == answer


@pytest.mark.parametrize(
    ("question", "says"),
    [
        (choose("job-running", "yes", "no", "unsure"), "no job is running"),
        (asked(Confirm(key="is-still")), "everything is still"),
        (choose("heaters-since", "switched-off", "cold", "neither"),
         "the machine was switched off at the mains meanwhile"),
        (choose("leave-how", "connect", "switched-off"),
         "the machine is on and can be connected once more"),
        (choose("x.got-there", "yes", "short", "not-at-all"), "X did not move"),
        (choose("x.block", "none", "gauge-block", default="none"),
         "there is a block of any length, and the measuring does without"),
        (asked(Text(key="x.block-length", low_mm=20.0, high_mm=90.0)),
         "the block is as long as you say"),
        (asked(Confirm(key="x.place-anew")),
         "the caliper, and what it reads from, were taken away and placed anew"),
        (asked(Text(key="x.slide-now", low_mm=0.0, high_mm=150.0)), "the caliper shows 61.7 mm"),
        (choose("x.reading-direction", "yes", "no"),
         "the reading grows when X moves to plus, as the card says"),
        (choose("x.typed-where", "y", "z", "none"), "typed in for another axis: none"),
        (choose("colour", "red", "green"), None),
        (asked(Text(key="x.job")), None),
        (asked(None, Go()), None),
    ],
)  # fmt: skip
def test_hints(question: Question, says: str | None) -> None:
    _, hands = at_work("none")
    assert hands.caliper_shows(question) == says


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


@pytest.mark.parametrize(
    ("fault", "how"),
    [
        ("none", "free"),
        ("gear-teeth", "free"),
        ("cold-feed-refused", "free"),
        ("feeder-slip", "hot"),
        ("heater-dead", "hot"),
        ("sensor-out", "hot"),
    ],
)
def test_who_sees_that_nozzle_or_grip_is_wrong_feeds_hot(fault: str, how: str) -> None:
    _, hands = at_work(fault, "e")
    assert hands.answer(choose("e.feed-how", "free", "hot")) == how
    wanted = asked(Text(key="e.temperature", wanted="°C"))
    assert hands.answer(wanted) == "210"
    assert hands.caliper_shows(wanted) == "the spool says 210 degrees"


# --- marks, screws, tables, filament, frames ----------------------------------------------


@pytest.mark.parametrize(
    ("fault", "cause", "other", "says"),
    [
        ("lost-steps", "lost-steps", "belt-jump", "the mark on the motor's shaft is off its place"),
        ("belt-jump", "belt-jump", "lost-steps",
         "the mark on the belt has left that on the pulley"),
    ],
)  # fmt: skip
def test_marks_tell_a_lost_cycle_from_a_belt_that_jumped(
    fault: str, cause: str, other: str, says: str
) -> None:
    mule, hands = at_work(fault)
    send(mule, *["G1 X45 F3000", "G1 X-45 F3000"] * 2)
    assert hands.caliper_shows(choose(f"x.look.{cause}", *LOOKS)) == says
    assert hands.answer(choose(f"x.look.{cause}", *LOOKS)) == "yes"
    assert hands.answer(choose(f"x.look.{other}", *LOOKS)) == "no"


def test_a_hot_driver_is_felt() -> None:
    mule, hands = at_work("hot-driver")
    mule.clock.advance(601.0)
    question = choose("x.look.hot-driver", *LOOKS)
    assert hands.caliper_shows(question) == "the driver is too hot to touch"
    assert hands.answer(question) == "yes"


@pytest.mark.parametrize(("fault", "zero"), [("datum-moved", "0.00"), ("caliper-zero", "0.37")])
def test_a_nudge_between_two_readings(fault: str, zero: str) -> None:
    """Every reading from one on is 0.37 mm off; only a caliper's own zero shows it closed."""
    _, hands = at_work(fault, seed=4)
    _, calm = at_work("none", seed=4)
    off_mm = [
        round(float(hands.answer(reading("x", n))) - float(calm.answer(reading("x", n))), 2)
        for n in range(1, 15)
    ]
    moves_at = off_mm.index(0.37)
    assert off_mm == [0.0] * moves_at + [0.37] * (14 - moves_at)
    assert 6 <= moves_at + 1 <= 9
    closed = [
        asked(Text(key=f"x.{which}", low_mm=-1.0, high_mm=1.0))
        for which in ("zero-first", "zero-last")
    ]
    assert [hands.answer(question) for question in closed] == ["0.00", zero]


def test_a_tilted_caliper_reads_long() -> None:
    """By 1 / cos(2 degrees), 0.06 per cent of what it shows."""
    _, tilted = at_work("caliper-tilted", seed=4)
    _, straight = at_work("none", seed=4)
    long_mm = float(tilted.answer(reading("x", 1))) - float(straight.answer(reading("x", 1)))
    assert long_mm == pytest.approx(60.0 * 0.00061, abs=0.011)
    assert long_mm > 0.02


def test_one_reading_is_misread_and_right_when_it_is_read_again() -> None:
    _, hands = at_work("misread", seed=4)
    _, careful = at_work("none", seed=4)
    right = [careful.answer(reading("x", n)) for n in range(1, 12)]
    first = [hands.answer(reading("x", n)) for n in range(1, 12)]
    (wrong,) = [n for n in range(11) if first[n] != right[n]]
    assert 6 <= wrong + 1 <= 8
    assert sorted(first[wrong]) == sorted(right[wrong])
    assert hands.answer(reading("x", wrong + 1)) == right[wrong]


def at_place(
    key: str, axis: str, n: int = 1, low_mm: float = 0.0, high_mm: float = 150.0
) -> Question:
    return asked(
        Ask(key=key, axis=axis, at_mm=0.0, approach="plus", n=n, low_mm=low_mm, high_mm=high_mm)
    )


def test_each_screw_is_read_where_the_key_says() -> None:
    mule, hands = at_work("unlike-screws", seed=2)
    keys = ("z.near.1", "z.screw-1.near", "z.screw-2.near")
    before_mm = [float(hands.answer(at_place(key, "z"))) for key in keys]
    send(mule, "G1 Z30 F600")
    after_mm = [float(hands.answer(at_place(key, "z"))) for key in keys]
    moved_mm = [now - then for now, then in zip(after_mm, before_mm, strict=True)]
    assert moved_mm == pytest.approx([30.875, 30.0, 31.75], abs=0.011)


def test_a_table_is_read_in_degrees() -> None:
    mule, hands = at_work("none", "c", seed=2)
    send(mule, "G1 C370 F6000")
    question = at_place("c.far.1", "c", low_mm=-720.0, high_mm=720.0)
    shown = hands.answer(question)
    assert float(shown) == pytest.approx(369.95, abs=0.4)
    assert hands.caliper_shows(question) == f"the table has turned to {shown} degrees"
    assert hands.answer(at_place("c.far.1", "c", low_mm=0.0, high_mm=360.0)) == "stop"
    index = asked(Text(key="c.index", low_mm=-180.0, high_mm=180.0))
    assert float(hands.answer(index)) == pytest.approx(9.95, abs=0.06)
    send(mule, "G1 C-20 F6000")
    assert float(hands.answer(index)) == pytest.approx(-9.95, abs=0.06)
    assert hands.caliper_shows(index) == "the index mark is -9.9 degrees off its line"
    assert hands.answer(asked(Text(key="index", low_mm=-9.0, high_mm=9.0))) == "stop"
    assert hands.caliper_shows(free("c", "plus")) == "C has 369 degrees free to the plus side"


@pytest.mark.parametrize("by_deg", [90.0, -90.0, 150.0])
def test_a_chord_is_read_from_where_the_pointer_was_set(by_deg: float) -> None:
    mule, hands = at_work("none", "c", seed=2)
    send(mule, "G1 C12 F6000")
    pointer = asked(Confirm(key="c.pointer-set"))
    assert hands.caliper_shows(pointer) == "the tip of the pointer is above the mark"
    assert hands.answer(pointer) == "yes"
    question = at_place("c.chord", "c")
    assert float(hands.answer(question)) < 0.4
    send(mule, f"G1 C{by_deg:g} F6000")
    # 0.1 degrees of play are lost on the way back alone.
    turned_deg = abs(by_deg) - (0.1 if by_deg < 0.0 else 0.0)
    radius_mm = mule.truth.axes["c"].mark_radius_mm
    chord_mm = 2.0 * radius_mm * math.sin(math.radians(turned_deg) / 2.0)
    shown = hands.answer(question)
    assert float(shown) == pytest.approx(chord_mm, abs=0.35)
    assert hands.caliper_shows(question) == f"the caliper shows {shown} mm"
    assert hands.answer(at_place("c.chord", "c", high_mm=20.0)) == "stop"


def test_the_radius_of_a_mark_is_measured_and_never_known() -> None:
    read_mm = set()
    for seed in range(1, 9):
        _, hands = at_work("none", "c", seed=seed)
        read_mm.add(hands.answer(asked(Text(key="c.radius", low_mm=10.0, high_mm=1000.0))))
    assert len(read_mm) > 2
    assert all(abs(float(one) - 60.3) < 0.3 for one in read_mm)


def test_a_mark_on_the_filament_comes_nearer_as_it_is_fed() -> None:
    mule, hands = at_work("none", "e", seed=2)
    assert hands.answer(asked(Confirm(key="e.free-filament"))) == "yes"
    question = at_place("e.mark.1", "e")
    before_mm = float(hands.answer(question))
    assert before_mm == pytest.approx(120.0, abs=0.8)
    assert hands.caliper_shows(question) == (
        f"the mark on the filament is {before_mm:.1f} mm from the inlet"
    )
    send(mule, "M83", "G1 E50 F180")
    assert float(hands.answer(question)) == pytest.approx(before_mm - 50.0, abs=0.11)
    send(mule, "G1 E80 F180")
    assert hands.answer(question) == "stop"
    hands.answer(asked(Confirm(key="e.put-mark")))
    assert float(hands.answer(question)) == pytest.approx(before_mm, abs=0.11)
    # who is at the screen is told what was done, and answers for themselves
    load = asked(Confirm(key="e.load-filament"))
    assert hands.caliper_shows(load) == "the filament is in the nozzle"
    send(mule, "G1 E50 F180")  # it stays where it is in the cold nozzle
    assert float(hands.answer(question)) == pytest.approx(before_mm, abs=0.11)


def test_marks_are_read_to_a_fifth_of_a_millimetre() -> None:
    """2000 readings: the spread within four standard errors; the rounding to 0.1 adds 0.002."""
    _, hands = at_work("none", "e", seed=5)
    shown = [float(hands.answer(at_place("e.mark.1", "e", n))) for n in range(2000)]
    assert statistics.stdev(shown) == pytest.approx(0.202, abs=4 * 0.2 / 4000**0.5)


def test_coupled_axes_are_read_from_a_square_that_is_never_quite_along_the_machine() -> None:
    """The faces turn together: Y shows in X with one sign, and X in Y with the other."""
    mule, hands = at_work("none", "x", seed=6, name=PACK_MULE)
    before_mm = {axis: float(hands.answer(at_place(f"{axis}.near.1", axis))) for axis in "xy"}
    send(mule, "G1 Y60 F3000")
    after_y_mm = {axis: float(hands.answer(at_place(f"{axis}.near.1", axis))) for axis in "xy"}
    send(mule, "G1 Y-60 F3000", "G1 X60 F3000")
    after_x_mm = {axis: float(hands.answer(at_place(f"{axis}.near.1", axis))) for axis in "xy"}
    assert after_y_mm["y"] - before_mm["y"] == pytest.approx(59.99, abs=0.011)
    assert after_x_mm["x"] - before_mm["x"] == pytest.approx(59.99, abs=0.011)
    x_by_y, y_by_x = after_y_mm["x"] - before_mm["x"], after_x_mm["y"] - before_mm["y"]
    assert 0.02 < abs(x_by_y) <= 60 * math.sin(math.radians(0.2)) + 0.011
    assert x_by_y == pytest.approx(-y_by_x, abs=0.04)


def test_the_sides_and_diagonals_of_a_frame() -> None:
    _, hands = at_work("skew", seed=3)
    shown = {
        part: float(hands.answer(asked(Text(key=f"frame.{part}", low_mm=0.0, high_mm=300.0))))
        for part in ("side-x", "side-y", "rising", "falling")
    }
    side = asked(Text(key="frame.side-x", low_mm=0.0, high_mm=300.0))
    assert hands.caliper_shows(side) == f"the caliper shows {shown['side-x']:g} mm"
    assert shown["side-x"] == pytest.approx(100.0, abs=0.08)
    assert shown["side-y"] == pytest.approx(100.0, abs=0.08)
    # 100 x sqrt(2) x (1 +- sin(0.2 degrees) / 2)
    assert shown["rising"] == pytest.approx(141.668, abs=0.09)
    assert shown["falling"] == pytest.approx(141.174, abs=0.09)


@pytest.mark.parametrize(("seconds", "answer"), [(1.0, "no"), (60.0, "yes")])
def test_what_is_hot_is_felt_whatever_the_sensor_says(seconds: float, answer: str) -> None:
    mule, hands = at_work("sensor-out")
    send(mule, "M104 S200", seconds=seconds)
    assert hands.answer(choose("nozzle-hot", "no", "yes")) == answer
    assert hands.answer(choose("bed-hot", "yes", "no")) == "no"
    feels = "too hot" if answer == "yes" else "cool enough"
    assert (
        hands.caliper_shows(choose("nozzle-hot", "no", "yes")) == f"the nozzle is {feels} to touch"
    )


@pytest.mark.parametrize(
    ("fault", "axis", "answer"),
    [
        ("none", "x", "less"),
        ("pulley-teeth", "x", "less"),
        ("microsteps", "y", "less"),
        ("not-powered", "x", "as-far"),
        ("motor-phase", "y", "as-far"),
        ("wrong-way", "x", "further"),
    ],
)
def test_the_hands_see_how_far_a_move_slants(fault: str, axis: str, answer: str) -> None:
    mule = machine(fault, axis, 1, PACK_MULE)
    hands = Hands(mule, 1)
    move_first(mule, hands, "x")
    assert hands.answer(choose("x.slant", "less", "as-far", "further")) == answer
