"""The guided setup of a card: what is asked, what comes out, what is never guessed."""

from __future__ import annotations

import random
import tomllib
from collections.abc import Callable, Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from card_answers import GEARED, ONE_AXIS

from tuner.card.check import warnings
from tuner.card.read import parse_card
from tuner.card.schema import Card
from tuner.card.waiting import counted_in
from tuner.drive.parts import PI, Belt, Feeder, GearPair, Measured, Rack, Rotary, Screw
from tuner.drive.scale import Form, Stored
from tuner.messages import Choose, Line, Message, Say, Text, Value
from tuner.plans.card_parts import _numbered_as_named
from tuner.plans.card_setup import Description, card_setup
from tuner.session.questions import question_of


class Setup:
    """One run of the plan: `answers` by key, a list of them in order, else Enter."""

    def __init__(self, answers: Mapping[str, Any], start: Mapping[str, Any] | None = None) -> None:
        self._lists = {k: list(v) for k, v in answers.items() if isinstance(v, list)}
        self._answers = answers
        self.messages: list[Message] = []
        self.result: Description | None = None
        plan = card_setup(start or {})
        reply = Value(None)
        message = next(plan)
        while True:
            self.messages.append(message)
            reply = Value(None) if isinstance(message, Say) else Value(self._answer(message))
            try:
                message = plan.send(reply)
            except StopIteration as ended:
                self.result = ended.value
                return

    def _answer(self, message: Message) -> str:
        assert isinstance(message, Choose | Text)
        if message.key in self._lists:
            return str(self._lists[message.key].pop(0))
        assert len(self.refusals()) < 5, self.refusals()
        answer = str(self._answers.get(message.key, message.default))
        assert answer, f"nothing is known for {message}"
        if isinstance(message, Choose):
            assert answer in message.options
        return answer

    @property
    def text(self) -> str:
        assert self.result is not None
        return self.result.text

    @property
    def card(self) -> Card:
        return parse_card(self.text, "card")

    def asked_for(self, kind: type | tuple[type, ...] = (Choose, Text)) -> list[str]:
        return [one.key for one in self.messages if isinstance(one, kind)]

    def says(self, key: str) -> str:
        return next(m.says for m in self.messages if isinstance(m, Say) and m.key == key)

    def refusals(self) -> list[str]:
        return [m.says for m in self.messages if isinstance(m, Say) and m.key == "refused"]

    def asked(self, key: str) -> Any:
        return next(m for m in self.messages if not isinstance(m, Say) and m.key == key)


def one_axis(**changes: Any) -> dict[str, Any]:
    """Answers for one axis; a key of X is given as ``x__pitch_mm``."""
    return {**ONE_AXIS, **{key.replace("__", "."): value for key, value in changes.items()}}


def test_a_machine_with_a_geared_vertical_axis_and_a_geared_feeder() -> None:
    setup = Setup(GEARED)
    card = setup.card
    assert setup.refusals() == []
    assert (card.name, card.dialect, card.baud) == ("Workbench two", "printer", 115_200)
    assert (card.caliper.range_mm, card.caliper.error_limit_mm) == (150.0, 0.03)
    x, y, z, e = card.axes.values()
    assert x.train.drive == y.train.drive == Belt(Fraction(2), 20)
    assert (y.range_mm, y.moves, y.reference.at, y.reference.position_mm) == (
        (-5.0, 215.5), "bed", "max", 215.5,
    )  # fmt: skip
    assert (x.moves, x.vertical, z.vertical) == ("tool", False, True)
    # common practice, no source: 16 driving 80 is 5:1; 2000 = 3200 / (8 / 5)
    assert z.train.drive == Screw(Fraction(2), 4)
    assert z.train.travel_per_motor_rev_mm == Fraction(8, 5)
    assert z.train.steps_per_mm == z.stored.value == 2000
    # 17 driving 50 is not 1:3
    assert e.train.gears == (GearPair(17, 50),)
    assert e.train.travel_per_motor_rev_mm == PI * Fraction("7.3") * Fraction(17, 50)
    assert e.filament is not None
    assert e.filament.max_temperature_c == 240.0
    assert warnings(card) == []
    assert "no-warning" in setup.asked_for(Say)
    assert len(setup.asked_for()) <= 48  # a person has five minutes


def test_the_working_is_said_after_each_drive() -> None:
    setup = Setup(GEARED)
    assert setup.says("x.drive") == "X: 20 teeth x 2 mm = 40 mm per revolution"
    assert setup.says("z.gears.1.result") == "Z: 8 mm x 16/80 = 1.6 mm per motor revolution"
    assert "3200 / 40 mm = 80 steps per mm" in setup.says("x.steps")
    assert setup.says("z.against") == "Z: stored agrees with the parts"


def test_power_is_off_for_the_parts_and_parts_come_before_the_stored_numbers() -> None:
    keys = [one.key for one in Setup(GEARED).messages]
    assert "off and unplugged" in Setup(GEARED).says("welcome")
    assert keys.index("power-off") < keys.index("x.kind")
    assert keys.index("e.max_temperature") < keys.index("power-on") < keys.index("x.stored")


def test_enter_never_invents_a_part_or_a_stored_number() -> None:
    setup = Setup(GEARED)
    usual = {
        "machine.layout", "machine.dialect", "machine.baud", "machine.vertical", "machine.bed",
        "machine.several", "caliper.range", "caliper.step", "caliper.error-limit",
        "e.filament_diameter", "e.max_feed",
        # what this person said of the axis before
        "z.angle", "z.microsteps", "e.angle", "e.microsteps",
    }  # fmt: skip
    with_default = {
        one.key for one in setup.messages if isinstance(one, Choose | Text) and one.default
    }
    assert with_default == usual


@pytest.mark.parametrize("answers", [GEARED, ONE_AXIS], ids=["geared", "one axis"])
def test_no_line_is_cut_in_plain_mode(answers: dict[str, str]) -> None:
    for message in Setup(answers).messages:
        if isinstance(message, Say):
            line = Line(message.tag, message.key, message.fields, message.says)
        else:
            assert isinstance(message, Choose | Text)
            line = question_of(message).line
        assert len(line.plain()) < 400, message
        assert not line.plain().endswith("…")


# --- sizes, measured and standard ---------------------------------------------------------


@pytest.mark.parametrize(
    ("answers", "drive"),
    [
        ({"x.pitch_mm": "20.0/10"}, Belt(Fraction(2), 20)),
        ({"x.pitch_mm": "2,032"}, Belt(Fraction("2.032"), 20)),
        ({"x.pitch_mm": "0.08 in"}, Belt(Fraction("2.032"), 20)),
        # what the caliper shows is near two standard sizes: the person says which
        ({"x.pitch_mm": "20.2/10", "x.pitch_mm.standard": "2.032"}, Belt(Fraction("2.032"), 20)),
        ({"x.pitch_mm": "20.1/10", "x.pitch_mm.standard": "2"}, Belt(Fraction(2), 20)),
        ({"x.pitch_mm": "30.2/10"}, Belt(Fraction(3), 20)),
        # what is printed on the part, where a standard defines it
        ({"x.pitch_mm": "xl"}, Belt(Fraction("5.08"), 20)),
        ({"x.kind": "screw", "x.pitch_mm": "Tr8x8(P2)"}, Screw(Fraction(2), 4)),
        ({"x.kind": "screw", "x.pitch_mm": "M8"}, Screw(Fraction("1.25"), 1)),
        ({"x.kind": "screw", "x.pitch_mm": "1/4-16"}, Screw(Fraction("1.5875"), 1)),
        (
            {"x.kind": "rack", "x.module_mm": "m1.5", "x.pinion_teeth": "20"},
            Rack(Fraction("1.5"), 20),
        ),
        # nothing near: it stands as typed
        ({"x.pitch_mm": "2.2"}, Belt(Fraction("2.2"), 20)),
        (
            {"x.kind": "screw", "x.pitch_mm": "12.4/10", "x.starts": "1"},
            Screw(Fraction("1.25"), 1),
        ),
        ({"x.kind": "screw", "x.pitch_mm": "1/16 in", "x.starts": "1"}, Screw(Fraction("1.5875"))),
        ({"x.kind": "rack", "x.module_mm": "1", "x.pinion_teeth": "20"}, Rack(Fraction(1), 20)),
        # ten pitches of a rack of module 1 are 31.416 mm
        (
            {"x.kind": "rack", "x.module_mm": "31.4/10", "x.pinion_teeth": "20"},
            Rack(Fraction(1), 20),
        ),
        ({"x.kind": "measured", "x.travel_per_rev_mm": "12.5"}, Measured(Fraction("12.5"))),
    ],
)
def test_a_size_becomes_the_exact_part(answers: dict[str, str], drive: object) -> None:
    assert Setup({**ONE_AXIS, **answers}).card.axes["x"].train.drive == drive


def test_a_designation_is_explained_and_leaves_nothing_to_ask() -> None:
    setup = Setup(one_axis(x__kind="screw", x__pitch_mm="Tr8x8(P2)"))
    assert "4 starts (ISO 2904" in setup.says("x.pitch_mm.means")
    assert "x.starts" not in setup.asked_for()


def test_both_standard_sizes_that_are_near_are_named() -> None:
    setup = Setup({**one_axis(x__pitch_mm="20.2/10"), "x.pitch_mm.standard": "2"})
    asked = setup.asked("x.pitch_mm.standard")
    assert "2 mm and 2.032 mm" in asked.says
    assert asked.default == ""  # Enter decides nothing between the two


def test_a_measurement_that_prefers_one_standard_size_offers_it_by_enter() -> None:
    # 100.1 mm over fifty: 0.1 mm from fifty of 2 mm, 1.5 mm from fifty of 2.032 mm
    setup = Setup(one_axis(x__pitch_mm="100,1/50"))
    asked = setup.asked("x.pitch_mm.standard")
    assert isinstance(asked, Text)
    assert asked.default == "2"
    assert setup.card.axes["x"].train.drive == Belt(Fraction(2), 20)


def test_between_two_standard_sizes_it_is_measured_again_over_fifty() -> None:
    setup = Setup({
        **ONE_AXIS,
        "x.pitch_mm": ["20,2/10", "101.5/50"],
        "x.pitch_mm.standard": ["measure-again", "2.032"],
    })  # fmt: skip
    assert setup.asked("x.pitch_mm.standard").options == ("2.032", "2", "2.02", "measure-again")
    assert setup.card.axes["x"].train.drive == Belt(Fraction("2.032"), 20)


@pytest.mark.parametrize(
    ("measured", "answer", "pitch"),
    [
        ("20.2/10", "2.02", "2.02"),
        ("100.1/50", "2.002", "2.002"),
        ("100.1/50", ["20", "2"], "2"),  # far from what was measured
        ("19.9/10", ["101.6/50"], "2.032"),  # measured once more, and standard then
    ],
)
def test_the_exact_size_stays_the_persons_own(
    measured: str, answer: str | list[str], pitch: str
) -> None:
    answers = {**ONE_AXIS, "x.pitch_mm": measured, "x.pitch_mm.standard": answer}
    setup = Setup(answers)
    assert setup.card.axes["x"].train.drive == Belt(Fraction(pitch), 20)
    assert len(setup.refusals()) == (answer == ["20", "2"])


@pytest.mark.parametrize("sizes", [("2.032", "2"), ("1", "1.016"), ("2.54", "2.5")])
def test_a_number_chooses_the_size_that_it_names(sizes: tuple[str, ...]) -> None:
    names = _numbered_as_named([Fraction(one) for one in sizes])
    assert sorted(names) == sorted(sizes)
    assert all(names[int(one) - 1] == one for one in names if one in ("1", "2"))


# Worked by hand: 200 x 20 mm, 20 x 0.2 mm, 4 x 20 mm, pi x 40 mm.
@pytest.mark.parametrize(
    ("answers", "travel"),
    [
        ({"x.pitch_mm": "20", "x.pulley_teeth": "200"}, "4000 mm in one turn"),
        ({"x.pitch_mm": "0.2", "x.pulley_teeth": "20"}, "4 mm in one turn"),
        ({"x.kind": "screw", "x.pitch_mm": "20", "x.starts": "4"}, "80 mm in one turn"),
        ({"x.kind": "measured", "x.travel_per_rev_mm": "1000"}, "1000 mm in one turn"),
    ],
)
def test_a_travel_that_no_such_part_gives_is_questioned_once(
    answers: dict[str, str], travel: str
) -> None:
    setup = Setup({**ONE_AXIS, **answers, "x.unusual": "yes"})
    assert travel in setup.asked("x.unusual").says
    assert setup.asked_for().count("x.unusual") == 1
    assert setup.asked("x.unusual").default == ""


def test_no_asks_for_the_parts_anew() -> None:
    answers = {**ONE_AXIS, "x.kind": ["belt", "belt"], "x.pitch_mm": ["20", "2"]}
    answers |= {"x.pulley_teeth": ["unknown", "20"], "x.unusual": "no"}
    setup = Setup({**answers, "x.pulley_teeth": ["200", "20"]})
    assert setup.card.axes["x"].train.drive == Belt(Fraction(2), 20)
    assert "not known" not in setup.text


def test_a_lead_typed_for_the_pitch_is_asked_about() -> None:
    screw = {"x.kind": "screw", "x.pitch_mm": "8", "x.starts": "4"}
    setup = Setup({**ONE_AXIS, **screw, "x.lead": "lead"})
    assert "a screw with 4 starts; its pitch, crest to crest, is then 2 mm" in (
        setup.asked("x.lead").says
    )
    assert setup.card.axes["x"].train.drive == Screw(Fraction(2), 4)
    setup = Setup({**ONE_AXIS, **screw, "x.lead": "pitch"})
    assert setup.card.axes["x"].train.drive == Screw(Fraction(8), 4)
    unknown = {**ONE_AXIS, **screw, "x.lead": "lead", "x.starts": "unknown"}
    assert Setup(unknown).card.axes["x"].train.drive == Screw(Fraction(2), 4)


@pytest.mark.parametrize("pitch", ["5", "10", "2", "Tr8x8(P2)"])
def test_a_pitch_is_not_asked_about(pitch: str) -> None:
    setup = Setup(one_axis(x__kind="screw", x__pitch_mm=pitch, x__starts="1"))
    assert "x.lead" not in setup.asked_for()


def test_more_thread_starts_than_screws_have_are_questioned_once() -> None:
    screw = {**ONE_AXIS, "x.kind": "screw", "x.pitch_mm": "2"}
    setup = Setup({**screw, "x.starts": ["16", "4"], "x.many-starts": "no"})
    assert "16 thread starts are unusual" in setup.asked("x.many-starts").says
    assert setup.asked("x.many-starts").default == ""
    assert setup.card.axes["x"].train.drive == Screw(Fraction(2), 4)
    setup = Setup({**screw, "x.starts": "16", "x.many-starts": "yes"})
    assert setup.card.axes["x"].train.drive == Screw(Fraction(2), 16)
    assert Setup({}, plain_data(setup.text)).asked("x.many-starts").default == "yes"
    assert "x.many-starts" not in Setup({**screw, "x.starts": "6"}).asked_for()


def test_a_nozzle_that_may_not_get_hot_enough_is_questioned_once() -> None:
    setup = Setup({**GEARED, "e.max_temperature": ["80", "240 C"], "e.cold": "no"})
    assert "80 °C melts no usual filament" in setup.asked("e.cold").says
    assert setup.card.axes["e"].filament is not None
    assert setup.card.axes["e"].filament.max_temperature_c == 240.0
    setup = Setup({**GEARED, "e.max_temperature": "80", "e.cold": "yes"})
    assert setup.card.axes["e"].filament is not None
    assert setup.card.axes["e"].filament.max_temperature_c == 80.0


@pytest.mark.parametrize(
    ("key", "typed", "plain"),
    [
        ("machine.axes", "X, Y, Z and E", "x y z e"),
        ("machine.axes", "x,y,z,e", "x y z e"),
        ("x.pulley_teeth", "20 teeth", "20"),
        ("x.stored", "80 steps/mm", "80"),
        ("x.stored", "80 steps per mm", "80"),
        ("e.max_temperature", "240 °C", "240"),
        ("e.max_temperature", "240C", "240"),
        ("e.max_feed", "3 mm/s", "3"),
        ("z.starts", "4 starts", "4"),
        ("machine.axes", "X axis, y-axis, Z and E", "x y z e"),
        ("machine.axes", "x/y/z/e", "x y z e"),
        ("machine.bed", "Y axis", "y"),
        ("machine.bed", "y-axis", "y"),
        ("machine.bed", "axis y", "y"),
        ("machine.vertical", "z axis", "z"),
        ("machine.baud", "250000 baud", "250000"),
        ("machine.baud", "250000 Bd", "250000"),
        ("machine.baud", "250000 bps", "250000"),
        ("x.microsteps", "1/32", "32"),
        ("x.microsteps", "1 / 32", "32"),
        ("x.microsteps", "1:32", "32"),
        ("x.microsteps", "32x", "32"),
        ("x.microsteps", "x32", "32"),
        ("x.microsteps", "1/32 step", "32"),
        ("x.microsteps", "32 microsteps", "32"),
        ("x.microsteps", "1/1", "1"),
    ],
)
def test_units_and_lists_are_taken_as_people_type_them(key: str, typed: str, plain: str) -> None:
    setup = Setup({**GEARED, key: typed})
    assert setup.refusals() == []
    assert setup.text == Setup({**GEARED, key: plain}).text


@pytest.mark.parametrize("typed", ["16:1", "2/32", "1/16/2", "x", "1/", "32 steps", "x32x"])
def test_microsteps_that_may_mean_something_else_are_refused(typed: str) -> None:
    (said,) = Setup({**ONE_AXIS, "x.microsteps": [typed, "32"]}).refusals()
    assert "type it like 16 or 1/16" in said


@pytest.mark.parametrize("typed", ["x-z", "xaxis", "axis", "axes", "all", "x-"])
def test_axes_that_may_mean_something_else_are_refused(typed: str) -> None:
    (said,) = Setup({**ONE_AXIS, "machine.axes": [typed, "x"]}).refusals()
    assert "does not name axes" in said


def test_another_unit_than_the_one_asked_for_is_refused() -> None:
    (said,) = Setup({**ONE_AXIS, "x.stored": ["0.0125 mm/step", "80"]}).refusals()
    assert "is not a number" in said


def test_both_wheels_of_a_pair_at_once() -> None:
    setup = Setup({**GEARED, "z.gears.1.driver": ["80:16", "16:80"]})
    assert setup.text == Setup(GEARED).text
    assert "z.gears.1.driven" not in setup.asked_for()
    (said,) = setup.refusals()
    assert "a gearbox of 80:16 is typed 16:80" in said


@pytest.mark.parametrize(
    ("typed", "full_steps"),
    [
        ("1.8", 200), ("0,9", 400), ("200", 200), ("400", 400), ("200 steps", 200), ("48", 48),
        ("7.5", 48), ("1.8 deg", 200), ("1.8°", 200), ("0.9 degrees", 400), ("15", 24),
        ("45 deg", 8),
    ],
)  # fmt: skip
def test_a_motor_by_its_angle_or_its_steps(typed: str, full_steps: int) -> None:
    axis = Setup(one_axis(x__angle=typed)).card.axes["x"]
    assert axis.train.motor.full_steps_per_rev == full_steps


@pytest.mark.parametrize(
    ("key", "wrong", "right", "reason"),
    [
        ("machine.name", "", "Slide", "Enter alone"),
        ("machine.name", "a\x1b[2J", "Slide", "cannot be seen"),
        ("machine.name", "a" * 81, "Slide", "80 at most"),
        ("machine.axes", "xq", "x", "letters out of x y z"),
        ("machine.axes", "none", "x", "letters out of"),
        ("machine.axes", ", ,", "x", "letters out of"),
        ("machine.baud", "fast", "9600", "whole number; type digits only; or type unknown"),
        ("machine.baud", "299", "9600", "expected 300 to"),
        ("machine.vertical", "z", "none", "letters out of x, or none"),
        ("caliper.range", "15 cm", "150", "is not a length"),
        ("caliper.range", "9", "150", "expected 10 to 3000 mm"),
        ("x.pitch_mm", "nan", "2", "is no length, and no designation"),
        ("x.pitch_mm", "1e3", "2", "is no length, and no designation"),
        ("x.pitch_mm", "20/0", "2", "is no length, and no designation"),
        ("x.pitch_mm", "-2", "2", "expected 0.01 to 1000 mm"),
        ("x.pulley_teeth", "20.5", "20", "whole number"),
        ("x.pulley_teeth", "5", "20", "expected 6 to 500"),
        ("x.pulley_teeth", "9" * 5000, "20", "whole number"),
        ("x.gears", "11", "0", "expected 0 to 10; or type none; or type unknown"),
        ("x.angle", "1.7", "1.8", "not a whole number"),
        ("x.angle", "0", "1.8", "is no step"),
        ("x.angle", "100000", "1.8", "out of bounds"),
        ("x.microsteps", "0", "16", "expected 1 to 1024"),
        ("x.range", "220 0", "220", "lower end first"),
        ("x.range", "0", "220", "lower end first"),
        ("x.range", "0.22", "220", "1 mm or more"),
        ("x.range", "-5 0 220", "220", "one or two numbers in mm"),
        ("x.range", "-5-235", "220", "a dash beside a minus sign"),
        ("x.range", "-5 - 235", "220", "a dash beside a minus sign"),
        ("x.range", "5--235", "220", "a dash beside a minus sign"),
        ("x.range", "5 -235", "220", "lower end first"),
        ("x.range", "5 cm", "220", "one or two numbers in mm"),
        ("x.range", "0..1..2", "220", "one or two numbers in mm"),
        ("x.range", "20000", "220", "-10000 to 10000 mm"),
        ("x.stored", "80,0,0", "80", "is not a number"),
        ("x.stored", "0", "80", "out of bounds"),
        ("x.stored", "-80", "80", "out of bounds"),
    ],
)
def test_what_does_not_count_is_asked_again_with_the_reason(
    key: str, wrong: str, right: str, reason: str
) -> None:
    setup = Setup({**ONE_AXIS, key: [wrong, right]})
    (said,) = setup.refusals()
    assert reason in said
    assert len(said) < 300
    assert said.isprintable()


@pytest.mark.parametrize(
    ("typed", "ends"),
    [
        ("-5,5 to 220 mm", (-5.5, 220.0)),
        ("0-235", (0.0, 235.0)),
        ("0 - 235", (0.0, 235.0)),
        ("0 \N{EN DASH} 235 mm", (0.0, 235.0)),
        ("0,5-235.5", (0.5, 235.5)),
        ("0..235", (0.0, 235.0)),
        ("0...235", (0.0, 235.0)),
        ("0 to 235", (0.0, 235.0)),
        ("0mm to 235mm", (0.0, 235.0)),
        ("0 mm - 235 mm", (0.0, 235.0)),
        ("-5..235", (-5.0, 235.0)),
        ("-5 .. -1", (-5.0, -1.0)),
        ("-5, 220", (-5.0, 220.0)),
        ("from -5 to 220", (-5.0, 220.0)),
        ("235mm", (0.0, 235.0)),
    ],
)
def test_ends_of_an_axis(typed: str, ends: tuple[float, float]) -> None:
    setup = Setup(one_axis(x__range=typed))
    assert setup.refusals() == []
    assert setup.card.axes["x"].range_mm == ends


# --- what is not known --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("answers", "what", "drive"),
    [
        ({"x.pitch_mm": "unknown"}, "pitch of the belt; 2 mm", Belt(Fraction(2), 20)),
        ({"x.pulley_teeth": "Unknown"}, "teeth of the pulley; 20", Belt(Fraction(2), 20)),
        (
            {"x.kind": "screw", "x.pitch_mm": "unknown", "x.starts": "4"},
            "pitch of the screw; 2 mm",
            Screw(Fraction(2), 4),
        ),
        (
            {"x.kind": "screw", "x.pitch_mm": "2", "x.starts": "unknown"},
            "thread starts of the screw; 4",
            Screw(Fraction(2), 4),
        ),
        # 5 mm is the commonest lead of ball screws, which have one start
        (
            {"x.kind": "screw", "x.pitch_mm": "5", "x.starts": "unknown"},
            "thread starts of the screw; 1",
            Screw(Fraction(5), 1),
        ),
        (
            {"x.kind": "screw", "x.pitch_mm": "7.3", "x.starts": "unknown"},
            "thread starts of the screw; 1",
            Screw(Fraction("7.3"), 1),
        ),
        (
            {"x.kind": "rack", "x.module_mm": "unknown", "x.pinion_teeth": "30"},
            "module of the rack; 1 mm",
            Rack(Fraction(1), 30),
        ),
        (
            {"x.kind": "rack", "x.module_mm": "1", "x.pinion_teeth": "unknown"},
            "teeth of the pinion; 20",
            Rack(Fraction(1), 20),
        ),
        ({"x.angle": "unknown"}, "step angle of the motor; 1.8", Belt(Fraction(2), 20)),
        ({"x.microsteps": "unknown"}, "microsteps of the driver; 16", Belt(Fraction(2), 20)),
        ({"x.gears": "unknown"}, "whether there are gears; none", Belt(Fraction(2), 20)),
    ],
)
def test_an_unknown_part_is_its_commonest_kind_and_the_card_says_so(
    answers: dict[str, str], what: str, drive: object
) -> None:
    setup = Setup({**ONE_AXIS, **answers})
    assert f"# not known: {what}" in setup.text
    assert what in setup.says("x.unknown.1")
    assert "taking the commonest" in setup.says("x.steps")
    axis = setup.card.axes["x"]
    assert axis.train.drive == drive
    assert axis.train.motor.full_steps_per_rev == 200
    assert axis.train.motor.microsteps == 16


def test_a_known_machine_has_no_such_comment() -> None:
    assert "not known" not in Setup(GEARED).text


def test_an_unknown_baud_rate_says_what_to_try() -> None:
    setup = Setup(one_axis(machine__baud="unknown"))
    assert setup.card.baud == 115_200
    assert "# not known: baud; where the controller does not answer, try" in setup.text


def test_an_axis_like_another_has_its_unknown_parts_too() -> None:
    setup = Setup({**GEARED, "x.pulley_teeth": "unknown"})
    assert setup.text.count("# not known: teeth of the pulley") == 2


@pytest.mark.parametrize(
    ("form", "stored"),
    [
        # pi x 7.3 mm x 17/50 in a motor turn of 3200 steps
        ("steps_per_mm", "410.4"),
        ("mm_per_step", "0.00243664"),
        ("travel_per_rev_mm", "22.93"),
        ("travel_per_motor_rev_mm", "7.797"),
    ],
)
def test_an_unknown_wheel_is_the_one_that_agrees_with_the_stored_number(
    form: str, stored: str
) -> None:
    answers = {**GEARED, "machine.axes": "e", "e.diameter_mm": "unknown", "stored.form": form}
    answers |= {"e.stored": stored, "e.angle": "1.8", "e.microsteps": "16"}
    setup = Setup(answers)
    axis = setup.card.axes["e"]
    assert isinstance(axis.train.drive, Feeder)
    assert axis.train.drive.diameter_mm == pytest.approx(Fraction("7.3"), rel=5e-4)
    assert setup.says("e.against") == "E: stored agrees with the parts, as far as they are known"
    assert "# not known: diameter of the wheel" in setup.text


def test_a_stored_number_that_no_wheel_gives_is_asked_again() -> None:
    answers = {**GEARED, "e.diameter_mm": "unknown", "e.stored": ["0.001", "410.4"]}
    (said,) = Setup(answers).refusals()
    assert "which none does; read the number again" in said


def test_a_stored_number_is_not_guessed_and_its_axis_waits_on_the_card() -> None:
    setup = Setup({**GEARED, "z.stored": "unknown", "e.stored": "unknown"})
    assert list(setup.card.axes) == ["x", "y"]
    assert "#| stored = { steps_per_mm = ? }" in setup.text
    assert "Z waits on the card" in setup.says("z.waits")
    assert "axes.z: it waits for the number" in setup.says("warning.1")
    assert "axes.e: it waits for the number" in setup.says("warning.2")


def test_an_axis_that_waited_counts_once_its_number_stands_there() -> None:
    waiting = Setup({**GEARED, "z.stored": "unknown", "e.stored": "unknown"})
    text = waiting.text.replace("#| ", "").replace("?", "2000", 1).replace("?", "410.4", 1)
    assert said(parse_card(text, "card")) == said(Setup(GEARED).card)


def test_an_axis_that_waits_keeps_what_is_not_known_of_its_parts() -> None:
    answers = {**GEARED, "z.starts": "unknown", "z.stored": "unknown"}
    block = Setup(answers).text.partition("#| [axes.z]")[2]
    assert "#| # not known: thread starts of the screw; 4" in block


def test_a_feeder_that_waits_has_no_invented_wheel() -> None:
    setup = Setup({**GEARED, "e.diameter_mm": "unknown", "e.stored": "unknown"})
    assert '#| drive = { kind = "feeder", diameter_mm = ? }' in setup.text
    assert "#| # not known: diameter of the wheel; tuner card new --from this card" in setup.text
    again = Setup(
        {"e.diameter_mm": "unknown", "e.stored": "410.4"}, plain_data(counted_in(setup.text))
    )
    assert again.asked("e.diameter_mm").default == ""


def test_without_any_stored_number_there_is_no_card() -> None:
    setup = Setup(one_axis(x__stored="unknown"))
    assert setup.result is None
    assert "tuner card new goes on from your answers" in setup.says("no-axis")


def test_two_motors_that_move_x_and_y_together_need_both_numbers() -> None:
    answers = {**GEARED, "machine.layout": "coupled-belts", "x.stored": ["unknown", "80"]}
    (said,) = Setup(answers).refusals()
    assert "X and Y move together, so a card needs the numbers of both" in said
    assert "stop" in said and "keeps your answers" in said


# --- the stored number --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("form", "stored"),
    [
        ("steps_per_mm", "80"),
        ("mm_per_step", "0,0125"),
        ("travel_per_rev_mm", "40"),
        ("travel_per_motor_rev_mm", "40.0"),
    ],
)
def test_each_of_the_four_forms(form: str, stored: str) -> None:
    setup = Setup(one_axis(stored__form=form, x__stored=stored))
    axis = setup.card.axes["x"]
    assert axis.stored == Stored(Form(form), Fraction(stored.replace(",", ".")))
    assert setup.says("x.against") == "X: stored agrees with the parts"
    for number in ("80 steps per mm", "0.0125 mm per step", "40 mm per revolution"):
        assert number in setup.asked("stored.form").says


def test_a_number_keeps_all_its_decimals() -> None:
    setup = Setup(one_axis(x__stored="80.012345678901"))
    assert setup.card.axes["x"].stored.value == Fraction("80.012345678901")


def test_a_contradiction_is_put_into_words() -> None:
    setup = Setup(one_axis(x__stored="160"))
    said = setup.says("x.against")
    assert "twice what the parts give" in said
    assert "400 full steps" in said
    assert "leave it" in said
    assert "twice what the parts give" in setup.says("warning.1")


def test_forms_may_differ_between_the_axes() -> None:
    answers = {**GEARED, "stored.form": "mixed", "x.form": "mm_per_step", "x.stored": "0.0125"}
    answers |= {"y.form": "travel_per_rev_mm", "y.stored": "40", "z.form": "steps_per_mm"}
    answers |= {"e.form": "steps_per_mm"}
    card = Setup(answers).card
    assert [axis.stored.form for axis in card.axes.values()] == [
        Form.MM_PER_STEP, Form.TRAVEL_PER_REV_MM, Form.STEPS_PER_MM, Form.STEPS_PER_MM,
    ]  # fmt: skip


# --- machines of other kinds --------------------------------------------------------------


def test_two_motors_that_move_x_and_y_together() -> None:
    setup = Setup({**GEARED, "machine.layout": "coupled-belts"})
    assert setup.card.layout == "coupled-belts"
    assert setup.says("x.parts").startswith("X, motor a")
    assert setup.says("y.parts").startswith("Y, motor b")
    assert "unknown" not in setup.asked("x.stored").says
    assert "unknown" in setup.asked("z.stored").says


def test_an_axis_that_turns() -> None:
    answers = {
        "machine.name": "Table", "machine.axes": "a", "a.kind": "rotary", "a.gears": "1",
        "a.gears.1.driver": "1", "a.gears.1.driven": "90", "a.angle": "200",
        "a.microsteps": "8", "a.range": "0 360", "a.reference": "none",
        "stored.form": "steps_per_mm", "a.stored": "400",
    }  # fmt: skip
    setup = Setup(answers)
    axis = setup.card.axes["a"]
    assert axis.train.drive == Rotary()
    assert axis.train.steps_per_mm == axis.stored.value == 400
    assert axis.range_mm == (0.0, 360.0)
    assert "steps_per_deg = 400.0" in setup.text
    assert "in steps per deg" in setup.asked("a.stored").says
    assert "machine.vertical" not in setup.asked_for()


def test_a_screw_for_an_axis_that_turns() -> None:
    answers = {**ONE_AXIS, "machine.axes": "a", "a.kind": "measured", "a.travel_per_rev_mm": "4"}
    answers |= {key.replace("x.", "a."): value for key, value in ONE_AXIS.items() if key[0] == "x"}
    answers |= {"a.kind": "measured"}
    assert Setup(answers).card.axes["a"].train.drive == Measured(Fraction(4))


def test_vertical_level_bed_and_several_motors() -> None:
    answers = {**GEARED, "machine.vertical": "x", "machine.bed": "none"}
    answers |= {"machine.several": "y z", "y.motors": "2", "z.motors": "3"}
    axes = Setup(answers).card.axes
    assert [axes[one].vertical for one in "xyz"] == [True, False, False]
    assert [axes[one].motors for one in "xyze"] == [1, 2, 3, 1]
    assert axes["y"].moves == "tool"


def test_gears_that_speed_up_are_doubted() -> None:
    answers = {**GEARED, "z.gears.1.driver": "80", "z.gears.1.driven": "16"}
    assert "back corrects it" in Setup(answers).says("z.gears.1.speeds-up")
    assert "z.gears.1.speeds-up" not in Setup(GEARED).asked_for(Say)


def test_a_coarse_caliper_has_a_wider_limit() -> None:
    setup = Setup(one_axis(caliper__step="0.05", caliper__range="500"))
    assert setup.card.caliper.error_limit_mm == 0.07
    assert "0.07 mm, by DIN 862" in setup.asked("caliper.error-limit").says


# --- from an earlier card -----------------------------------------------------------------

RICH = """
schema = 1
[machine]
name = 'Old \\ "mule"'
layout = "coupled-belts"
dialect = "plain"
baud = 9600
hold_time_s = 60.5
[caliper]
range_mm = 200
resolution_mm = 0.02
error_limit_mm = 0.025
id = "K 7"
calibrated_on = 2026-03-14
[axes.x]
drive = { kind = "belt", pitch_mm = 2.032, pulley_teeth = 18 }
motor = { step_angle_deg = 0.9, microsteps = 32 }
stored = { travel_per_motor_rev_mm = 36.576 }
range_mm = [-10.5, 220]
reference = { at = "max", position_mm = 215.0 }
feed_mm_per_min = 900.0
acceleration_mm_per_s2 = 250.0
caliper = { reading_grows = "minus" }
[axes.y]
drive = { kind = "rack", module_mm = 1.5, pinion_teeth = 22 }
gears = [{ driver = 20, driven = 30 }, { driver = 15, driven = 45 }]
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 138.88888888888888888888 }
range_mm = [0.0, 110.0]
moves = "bed"
motors = 2
[axes.z]
drive = { kind = "screw", pitch_mm = 1.5875 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { mm_per_step = 0.000496 }
range_mm = [0.0, 80.0]
vertical = false
reference = { at = "min" }
max_pulse_rate_hz = 25000
[axes.a]
drive = { kind = "rotary" }
gears = [{ driver = 1, driven = 60 }]
motor = { step_angle_deg = 1.8, microsteps = 8 }
stored = { deg_per_step = 0.00375 }
range_deg = [0.0, 360.0]
feed_deg_per_min = 720.0
[axes.e]
drive = { kind = "feeder", diameter_mm = 11.05 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 92.2 }
filament_diameter_mm = 2.85
max_feed_mm_per_s = 2.5
max_temperature_c = 230
"""


def plain_data(text: str) -> dict[str, Any]:
    """The card as data, every number exact."""

    def exact(value: Any) -> Any:
        match value:
            case Decimal():
                return Fraction(value)
            case dict():
                return {key: exact(one) for key, one in value.items()}
            case list():
                return [exact(one) for one in value]
        return value

    data: dict[str, Any] = exact(tomllib.loads(text, parse_float=Decimal))
    return data


def said(card: Card) -> dict[str, Any]:
    """A card without the file it was read from."""
    return {key: value for key, value in vars(card).items() if key not in ("text", "sha256")}


def test_enter_at_every_question_keeps_every_value_of_an_earlier_card() -> None:
    setup = Setup({}, plain_data(RICH))
    assert setup.refusals() == []
    assert said(setup.card) == said(parse_card(RICH, "card"))
    again = Setup({}, plain_data(setup.text))
    assert again.text == setup.text


def test_another_kind_of_drive_takes_nothing_from_the_earlier_one() -> None:
    answers = {"x.kind": "screw", "x.pitch_mm": "2", "x.starts": "4", "x.reference": "min"}
    setup = Setup(answers, plain_data(RICH))
    assert setup.asked("x.pitch_mm").default == ""
    axis = setup.card.axes["x"]
    assert axis.train.drive == Screw(Fraction(2), 4)
    assert axis.reference.position_mm == -10.5  # the other end is not where 215 was


def test_an_end_switch_that_no_longer_fits_is_at_its_end() -> None:
    setup = Setup({"x.range": "0 1000"}, plain_data(RICH))
    assert setup.card.axes["x"].reference.position_mm == 1000.0


def test_a_dialect_file_of_the_earlier_card_stays() -> None:
    text = RICH.replace('dialect = "plain"', 'dialect = "mine.toml"')
    assert Setup({}, plain_data(text)).card.dialect == "mine.toml"


def test_one_form_for_all_axes_is_taken_from_the_earlier_card() -> None:
    first = Setup(GEARED)
    assert Setup({}, plain_data(first.text)).asked("stored.form").default == "steps_per_mm"


# --- whatever is answered -----------------------------------------------------------------

GARBAGE = ("", "unknown", "none", "-1", "0", "1/0", "nan", "1e9", "é", "x", "9" * 30, "\x00")
SENSIBLE = ("1", "2", "16", "20", "0.5", "40 mm", "1/16 in", "200", "x y", "a e", "31.4/10", "-5 9")


def whatever(seed: int) -> Callable[[Choose | Text], str]:
    """Somebody who answers anything; only the stored numbers are given in the end."""
    hand = random.Random(seed)

    def answer(message: Choose | Text) -> str:
        if isinstance(message, Choose):
            return hand.choice(message.options)
        if message.key == "machine.axes":
            return " ".join(hand.sample("xyzuabe", hand.randint(1, 4)))
        return hand.choice((message.default, *GARBAGE, *SENSIBLE, *SENSIBLE))

    return answer


@pytest.mark.parametrize("seed", range(150))
def test_whatever_is_answered_a_card_that_can_be_read_comes_out(seed: int) -> None:
    answer, plan = whatever(seed), card_setup({})
    message = next(plan)
    result = None
    for _ in range(3000):
        try:
            message = plan.send(Value(None if isinstance(message, Say) else answer(message)))  # type: ignore[arg-type]
        except StopIteration as ended:
            result = ended.value
            break
    else:
        pytest.fail("it never came to an end")
    if result is not None:
        parse_card(result.text, "card")
