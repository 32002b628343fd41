"""Reading a card: the design's own card, the defaults, and every mistake told at once."""

from __future__ import annotations

import hashlib
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest

from tuner.card.read import parse_card, read_card
from tuner.card.schema import EndSwitch, Filament
from tuner.drive.parts import Belt, Feeder, GearPair, Measured, Motor, Rack, Rotary, Screw
from tuner.drive.scale import Form, Stored
from tuner.errors import BadFile

FULL = """\
schema = 1
[machine]
name = "Bench mule"
layout = "independent"
dialect = "printer"
baud = 250000
hold_time_s = 90

[caliper]
range_mm = 150.0
resolution_mm = 0.01
error_limit_mm = 0.03
id = "C 17"
calibrated_on = 2026-03-14

[axes.x]
drive = { kind = "belt", pitch_mm = 2.032, pulley_teeth = 20 }
gears = [{ driver = 16, driven = 80 }, { driver = 17, driven = 50 }]
motor = { step_angle_deg = 0.9, microsteps = 32 }
stored = { travel_per_motor_rev_mm = 8.0 }
range_mm = [-10.5, 220]
reference = { at = "max", position_mm = 221.5 }
caliper = { reading_grows = "minus" }
feed_mm_per_min = 1200.0
acceleration_mm_per_s2 = 700.0
max_pulse_rate_hz = 100000
motors = 2
moves = "bed"
vertical = true

[axes.a]
drive = { kind = "rotary" }
gears = [{ driver = 1, driven = 90 }]
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_deg = 800.0 }
range_deg = [-180.0, 180.0]
reference = { at = "min", position_deg = -180.0 }
feed_deg_per_min = 300

[axes.e]
drive = { kind = "feeder", diameter_mm = 7.3 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { mm_per_step = 0.0072 }
filament_diameter_mm = 1.75
max_feed_mm_per_s = 3.0
max_temperature_c = 240
"""

SMALL = """\
schema = 1
[machine]
name = "Mule"
dialect = "plain"
[caliper]
range_mm = 150
resolution_mm = 0.01
error_limit_mm = 0.03
[axes.x]
drive = { kind = "belt", pitch_mm = 2, pulley_teeth = 20 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 80 }
range_mm = [0, 220]
"""


def findings(text: str) -> tuple[str, ...]:
    with pytest.raises(BadFile) as caught:
        parse_card(text, "mule.toml")
    for finding in caught.value.findings:
        assert finding.startswith("mule.toml: ")
        assert finding.isprintable()
        assert len(finding) < 500
    return caught.value.findings


def changed(old: str, new: str, text: str = SMALL) -> str:
    assert text.count(old) == 1
    return text.replace(old, new)


def test_everything_a_card_can_say() -> None:
    card = parse_card(FULL, "full")
    assert (card.name, card.layout, card.dialect) == ("Bench mule", "independent", "printer")
    assert (card.baud, card.hold_time_s) == (250_000, 90.0)
    caliper = card.caliper
    assert (caliper.range_mm, caliper.resolution_mm, caliper.error_limit_mm) == (150, 0.01, 0.03)
    assert (caliper.id, caliper.calibrated_on) == ("C 17", date(2026, 3, 14))
    assert card.text == FULL
    assert card.sha256 == hashlib.sha256(FULL.encode()).hexdigest()
    assert [*card.axes] == ["x", "a", "e"]

    x = card.axes["x"]
    assert x.name == "x"
    assert x.train.drive == Belt(Fraction("2.032"), 20)
    assert x.train.gears == (GearPair(16, 80), GearPair(17, 50))
    assert x.train.motor == Motor(Fraction("0.9"), 32)
    assert x.stored == Stored(Form.TRAVEL_PER_MOTOR_REV_MM, Fraction(8))
    assert x.stored_steps_per_mm == 1600
    assert x.range_mm == (-10.5, 220.0)
    assert x.length_mm == 230.5
    assert x.reference == EndSwitch("max", 221.5)
    assert x.reading_grows == "minus"
    assert (x.feed_mm_per_min, x.acceleration_mm_per_s2) == (1200.0, 700.0)
    assert (x.max_pulse_rate_hz, x.motors, x.moves, x.vertical) == (100_000, 2, "bed", True)
    assert x.filament is None

    a = card.axes["a"]
    assert a.train.drive == Rotary()
    assert a.stored == Stored(Form.STEPS_PER_MM, Fraction(800))
    assert (a.range_mm, a.reference) == ((-180.0, 180.0), EndSwitch("min", -180.0))
    assert a.feed_mm_per_min == 300

    e = card.axes["e"]
    assert e.train.drive == Feeder(Fraction("7.3"))
    assert e.filament == Filament(1.75, 3.0, 240.0)
    assert e.stored == Stored(Form.MM_PER_STEP, Fraction("0.0072"))
    assert e.range_mm == (0.0, 0.0)
    assert e.feed_mm_per_min == 180.0


def test_a_card_cannot_be_changed_later() -> None:
    axes = parse_card(SMALL, "small").axes
    with pytest.raises(TypeError):
        axes["y"] = axes["x"]  # type: ignore[index]


def test_defaults() -> None:
    card = parse_card(SMALL, "small")
    assert (card.layout, card.baud, card.hold_time_s) == ("independent", 115_200, 120.0)
    assert (card.caliper.id, card.caliper.calibrated_on) == (None, None)
    x = card.axes["x"]
    assert x.train.gears == ()
    assert x.reference == EndSwitch("none", 0.0)
    assert x.reading_grows == "plus"
    assert x.feed_mm_per_min == 1500.0
    assert (x.acceleration_mm_per_s2, x.max_pulse_rate_hz) == (500.0, 40_000.0)
    assert (x.motors, x.moves, x.vertical) == (1, "tool", False)


@pytest.mark.parametrize(
    ("drive", "feed_mm_per_min"),
    [
        ('{ kind = "screw", pitch_mm = 2, starts = 4 }', 960.0),  # two turns a second
        ('{ kind = "screw", pitch_mm = 5 }', 600.0),
        ('{ kind = "measured", travel_per_rev_mm = 12.5 }', 1500.0),
        ('{ kind = "rack", module_mm = 1, pinion_teeth = 20 }', 1500.0),
    ],
)
def test_the_default_feed_is_two_motor_turns_a_second_and_never_fast(
    drive: str, feed_mm_per_min: float
) -> None:
    text = changed('{ kind = "belt", pitch_mm = 2, pulley_teeth = 20 }', drive)
    assert parse_card(text, "small").axes["x"].feed_mm_per_min == feed_mm_per_min


def test_a_slow_feeder_has_a_slower_default_feed_than_its_limit() -> None:
    text = changed("max_feed_mm_per_s = 3.0", "max_feed_mm_per_s = 100", FULL)
    assert parse_card(text, "full").axes["e"].feed_mm_per_min == 1500.0


def test_z_is_vertical_unless_the_card_says_otherwise() -> None:
    z = SMALL.replace("[axes.x]", "[axes.z]")
    assert parse_card(z, "z").axes["z"].vertical
    assert not parse_card(z + "vertical = false\n", "z").axes["z"].vertical


@pytest.mark.parametrize(
    ("reference", "position_mm"),
    [("min", 0.0), ("max", 220.0), ("none", 0.0)],
)
def test_an_end_switch_stands_at_its_end_of_the_range(reference: str, position_mm: float) -> None:
    card = parse_card(SMALL + f'reference = {{ at = "{reference}" }}\n', "small")
    assert card.axes["x"].reference == EndSwitch(reference, position_mm)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("drive", "expected"),
    [
        ('{ kind = "screw", pitch_mm = 1.25 }', Screw(Fraction("1.25"), 1)),
        ('{ kind = "rack", module_mm = 1.5, pinion_teeth = 18 }', Rack(Fraction("1.5"), 18)),
        ('{ kind = "measured", travel_per_rev_mm = 39.99 }', Measured(Fraction("39.99"))),
    ],
)
def test_decimals_are_exact(drive: str, expected: object) -> None:
    text = changed('{ kind = "belt", pitch_mm = 2, pulley_teeth = 20 }', drive)
    assert parse_card(text, "small").axes["x"].train.drive == expected


def test_coupled_belts_need_both_motors() -> None:
    coupled = changed('dialect = "plain"', 'dialect = "plain"\nlayout = "coupled-belts"')
    (finding,) = findings(coupled)
    assert 'machine.layout = "coupled-belts": ' in finding
    both = coupled + coupled[coupled.index("[axes.x]") :].replace("axes.x", "axes.y")
    assert parse_card(both, "both").layout == "coupled-belts"


DRIVE = '{ kind = "belt", pitch_mm = 2, pulley_teeth = 20 }'
MOTOR = "{ step_angle_deg = 1.8, microsteps = 16 }"
STORED = "{ steps_per_mm = 80 }"

# (what stands in the card, what stands there instead, key and value named, what is expected)
MISTAKES: list[tuple[str, str, str, str]] = [
    # machine and caliper
    ("schema = 1", "schema = 2", "schema = 2", "expected 1"),
    ("schema = 1", "schema = true", "schema = true", "expected 1"),
    ("schema = 1", "schema = '1'", 'schema = "1"', "expected 1"),
    ("schema = 1\n", "", "schema: missing", "schema = 1 as the first line"),
    ("schema = 1", "schema = 1\ncolour = 1", "colour = 1: this key is not known", "machine"),
    ('name = "Mule"\n', "", "machine.name: missing", "what you call it"),
    ('"Mule"', "5", "machine.name = 5", "text in quotes"),
    ('"Mule"', '" "', 'machine.name = " "', "blank"),
    ('"Mule"', r'"a\u001b[2J"', r'machine.name = "a\x1b[2J"', "cannot be seen"),
    ('"Mule"', r'"a\u202eb"', r'machine.name = "a\u202eb"', "cannot be seen"),
    ('"Mule"', f'"{"a" * 81}"', "81 characters", "expected 80 at most"),
    ('"plain"', '["plain"]', 'machine.dialect = ["plain"]', "path of a dialect file"),
    ('"Mule"', '"Mule"\nbaud = 115200.0', "machine.baud = 115200.0", "whole number from 300"),
    ('"Mule"', '"Mule"\nbaud = 0', "machine.baud = 0", "whole number from 300"),
    ('"Mule"', '"Mule"\nbuad = 9600', "machine.buad = 9600", "expected baud"),
    ('"Mule"', '"Mule"\nlayout = "delta"', 'machine.layout = "delta"', '"independent" or'),
    ('"Mule"', '"Mule"\nlayout = 1', "machine.layout = 1", '"independent" or'),
    ('"Mule"', '"Mule"\nhold_time_s = -1', "machine.hold_time_s = -1", "from 1 to 86400 s"),
    ("range_mm = 150", "range_mm = true", "caliper.range_mm = true", "not a number"),
    ("range_mm = 150", 'range_mm = "150"', 'caliper.range_mm = "150"', "not a number"),
    ("range_mm = 150", "range_mm = inf", "caliper.range_mm = inf", "no finite number"),
    ("range_mm = 150", "range_mm = -inf", "caliper.range_mm = -inf", "no finite number"),
    ("range_mm = 150", "range_mm = nan", "caliper.range_mm = nan", "no finite number"),
    ("range_mm = 150", "range_mm = 1e999999", "caliper.range_mm = 1E+999999", "out of bounds"),
    ("range_mm = 150", f"range_mm = 1e{'9' * 30}", "caliper.range_mm = inf", "no finite number"),
    ("range_mm = 150", "range_mm = 2026-03-14", "range_mm = 2026-03-14", "not a number"),
    ("range_mm = 150", "range_mm = 07:32:00", "range_mm = 07:32:00", "not a number"),
    ("range_mm = 150", f"range_mm = 0x{'f' * 900}", "caliper.range_mm = 0xfff", "out of bounds"),
    ("range_mm = 150", "range_deg = 150", "caliper.range_mm: missing", "10 to 3000 mm"),
    ("resolution_mm = 0.01", "resolution_mm = 0", "caliper.resolution_mm = 0", "0.0005 to 1 mm"),
    ("resolution_mm = 0.01", "resolution_mm = 1e-999999", "resolution_mm = 1E-999999", "bounds"),
    ("resolution_mm = 0.01", "resolution_mm = 0e999999", "resolution_mm = 0E+999999", "bounds"),
    ("resolution_mm = 0.01", f"resolution_mm = 0.{'1' * 50}", "resolution_mm = 0.111", "digits"),
    ("error_limit_mm = 0.03", "error_limit_mm = 0.03\nid = 7", "caliper.id = 7", "engraved"),
    ("error_limit_mm = 0.03", "error_limit_mm = 0.03\ncalibrated_on = '2026-03-14'",
     'caliper.calibrated_on = "2026-03-14"', "without quotes"),
    ("error_limit_mm = 0.03", "error_limit_mm = 0.03\ncalibrated_on = 2026-03-14T10:00:00",
     "caliper.calibrated_on = 2026-03-14T10:00:00", "without quotes"),
    # axes
    ("[axes.x]", "[axes.X]", "axes.X = { … }: this key is not known", "x, y, z, u, v, w, a"),
    ("[axes.x]", '[axes."x\\u0000"]', r"axes.x\x00 = { … }", "one of x, y"),
    ("[axes.x]", "[axes.e]", 'axes.e.drive.kind = "belt"', '"feeder"'),
    ("range_mm = [0, 220]", "", "axes.x.range_mm: missing", "[from, to] in mm"),
    ("range_mm = [0, 220]", "range_mm = [220, 0]", "range_mm = [220, 0]", "smaller one first"),
    ("range_mm = [0, 220]", "range_mm = [0, 0]", "range_mm = [0, 0]", "smaller one first"),
    ("range_mm = [0, 220]", "range_mm = 220", "range_mm = 220", "two numbers"),
    ("range_mm = [0, 220]", "range_mm = [0, 1, 2, 3, 4]", "= [0, 1, 2, 3, …]", "two numbers"),
    ("range_mm = [0, 220]", "range_mm = [0, inf]", "range_mm = [0, inf]", "no finite number"),
    ("range_mm = [0, 220]", "range_mm = [0, true]", "range_mm = [0, true]", "not a number"),
    ("range_mm = [0, 220]", "range_deg = [0, 220]", "range_deg = [0, 220]",
     "range_mm, because this axis moves in mm"),
    ("range_mm = [0, 220]", "range_mm = [0, 220]\nfeed_deg_per_min = 9", "feed_deg_per_min = 9",
     "feed_mm_per_min, because this axis moves in mm"),
    ("range_mm = [0, 220]", "range_mm = [0, 220]\nfeed_mm_per_min = 0", "feed_mm_per_min = 0",
     "from 1 to 100000 mm/min"),
    ("range_mm = [0, 220]", "range_mm = [0, 220]\nvertical = 1", "vertical = 1", "true or false"),
    ("range_mm = [0, 220]", "range_mm = [0, 220]\nmotors = 0", "motors = 0", "from 1 to 8"),
    ("range_mm = [0, 220]", "range_mm = [0, 220]\nmotors = true", "motors = true", "whole number"),
    ("range_mm = [0, 220]", 'range_mm = [0, 220]\nmoves = "head"', 'moves = "head"', '"tool"'),
    ("range_mm = [0, 220]", "range_mm = [0, 220]\nmax_temperature_c = 240",
     "axes.x.max_temperature_c = 240: this key is not known", "expected "),
    # the end switch and the caliper of the axis
    (STORED, STORED + "\nreference = 1", "axes.x.reference = 1", "not a table"),
    (STORED, STORED + "\nreference = {}", "axes.x.reference.at: missing", '"min" or "max"'),
    (STORED, STORED + '\nreference = { at = "left" }', 'reference.at = "left"', '"min" or "max"'),
    (STORED, STORED + '\nreference = { at = "none", position_mm = 1 }',
     "reference.position_mm = 1", "expected no such key"),
    (STORED, STORED + '\nreference = { at = "min", position_mm = 200 }',
     "reference.position_mm = 200", "a position near 0 mm"),
    (STORED, STORED + '\nreference = { at = "max", position_deg = 220 }',
     "reference.position_deg = 220", "position_mm, because"),
    (STORED, STORED + "\ncaliper = 1", "axes.x.caliper = 1", "reading_grows"),
    (STORED, STORED + '\ncaliper = { reading_grows = "up" }', 'reading_grows = "up"', '"plus"'),
    (STORED, STORED + "\ncaliper = { grows = 1 }", "caliper.grows = 1", "reading_grows"),
    # parts
    (DRIVE, '"belt"', 'axes.x.drive = "belt"', "not a table"),
    (DRIVE, "{}", "axes.x.drive.kind: missing", '"belt" or "screw" or "rack" or "measured"'),
    (DRIVE, '{ kind = "rotary" }', 'drive.kind = "rotary"', '"belt"'),
    (DRIVE, '{ kind = "feeder" }', 'drive.kind = "feeder"', '"belt"'),
    (DRIVE, '{ kind = "belt", pitch_mm = 2 }', "drive.pulley_teeth: missing", "from 6 to 500"),
    (DRIVE, '{ kind = "belt", pitch_mm = 2, pulley_teeth = 20.5 }', "pulley_teeth = 20.5", "whole"),
    (DRIVE, '{ kind = "belt", pitch_mm = 2, pulley_teeth = 5 }', "pulley_teeth = 5", "from 6"),
    (DRIVE, '{ kind = "belt", pitch_mm = -2, pulley_teeth = 20 }', "pitch_mm = -2", "0.01 to"),
    (DRIVE, '{ kind = "belt", pitch_mm = 2, starts = 1, pulley_teeth = 9 }', "starts = 1", "known"),
    (DRIVE, '{ kind = "screw", pitch_mm = 2, starts = 0 }', "starts = 0", "from 1 to 20"),
    (DRIVE, '{ kind = "rack", module_mm = 1, pinion_teeth = 1 }', "pinion_teeth = 1", "from 6"),
    (DRIVE, '{ kind = "measured", travel_per_rev_mm = 0 }', "travel_per_rev_mm = 0", "0.01 to"),
    (MOTOR, "{ step_angle_deg = 1.7, microsteps = 16 }", "motor.step_angle_deg = 1.7", "211.765"),
    (MOTOR, "{ step_angle_deg = 0, microsteps = 16 }", "step_angle_deg = 0", "0.01 to 90 deg"),
    (MOTOR, "{ step_angle_deg = 1.8, microsteps = 0 }", "microsteps = 0", "from 1 to 1024"),
    (MOTOR, "{ step_angle_deg = 1.8 }", "motor.microsteps: missing", "from 1 to 1024"),
    (MOTOR, "16", "axes.x.motor = 16", "not a table"),
    (STORED, STORED + "\ngears = 5", "axes.x.gears = 5", "list of at most 10 tables"),
    (STORED, STORED + "\ngears = [16, 80]", "axes.x.gears = [16, 80]", "from the motor outwards"),
    (STORED, STORED + "\ngears = [{ driver = 16 }]", "gears[1].driven: missing", "from 1 to 1000"),
    (STORED, STORED + "\ngears = [{ driver = 0, driven = 9 }]", "gears[1].driver = 0", "from 1"),
    (STORED, STORED + "\ngears = [{ driver = 1, driven = 9, by = 1 }]", "gears[1].by = 1", "known"),
    (STORED, STORED + f"\ngears = [{'{ driver = 1, driven = 1 },' * 11}]", "axes.x.gears = ", "10"),
    # the stored number
    (STORED, "80", "axes.x.stored = 80", "exactly one of travel_per_rev_mm"),
    (STORED, "{}", "axes.x.stored = { }: this is empty", "exactly one of"),
    (STORED, "{ steps_per_mm = 80, mm_per_step = 0.0125 }",
     "axes.x.stored = { … }: this holds steps_per_mm and mm_per_step", "exactly one of"),
    (STORED, "{ steps_per_mm = -80 }", "stored.steps_per_mm = -80", "out of bounds"),
    (STORED, "{ steps_per_mm = 0.0 }", "stored.steps_per_mm = 0.0", "out of bounds"),
    (STORED, "{ steps_per_deg = 80 }", "stored.steps_per_deg = 80", "steps_per_mm, because"),
    (STORED, "{ steps_per_millimetre = 80 }", "steps_per_millimetre = 80", "steps_per_mm"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "names", "expects"), MISTAKES)
def test_a_mistake_names_key_value_and_what_is_expected(
    old: str, new: str, names: str, expects: str
) -> None:
    found = findings(changed(old, new))
    assert any(names in finding and expects in finding for finding in found), found


@pytest.mark.parametrize(
    "line",
    [
        "hold_time_s = 1",
        "hold_time_s = 86400",
        "hold_time_s = 1.00000000000000000000000000000",
        "baud = 300",
        "baud = 20000000",
        "baud = 115_200",
    ],
)
def test_bounds_themselves_are_allowed(line: str) -> None:
    parse_card(changed('"Mule"', f'"Mule"\n{line}'), "small")


@pytest.mark.parametrize(
    "line",
    [
        "hold_time_s = 0.999999999",
        "hold_time_s = 86400.000001",
        "hold_time_s = 1.000000000000000000000000000000",
        "baud = 299",
        "baud = 20000001",
    ],
)
def test_what_is_beyond_a_bound_is_refused(line: str) -> None:
    (finding,) = findings(changed('"Mule"', f'"Mule"\n{line}'))
    assert f"machine.{line[:12]}" in finding


def test_one_mistake_is_one_finding() -> None:
    for old, new in (
        (DRIVE, "{}"),
        (MOTOR, "16"),
        (STORED, "{}"),
        (STORED, "{ steps_per_deg = 80 }"),
        ("range_mm = [0, 220]", "range_mm = [0, inf]"),
        ("schema = 1", "schema = 2\nother = 3"),
    ):
        assert len(findings(changed(old, new))) == 1


def test_a_missing_table_is_one_finding() -> None:
    found = findings("schema = 1\n")
    assert [finding.split(":")[1].strip() for finding in found] == ["machine", "caliper", "axes"]


def test_no_axes_at_all() -> None:
    (finding,) = findings(SMALL[: SMALL.index("[axes.x]")] + "[axes]")
    assert "axes = { }: there is no axis; expected at least one" in finding


def test_a_rotary_axis_is_in_degrees() -> None:
    found = findings(
        changed("range_deg = [-180.0, 180.0]", "range_mm = [-180.0, 180.0]", FULL).replace(
            "steps_per_deg", "steps_per_mm"
        )
    )
    assert any("axes.a.range_mm" in finding and "moves in deg" in finding for finding in found)
    assert any("steps_per_mm = 800.0" in f and "steps_per_deg, because" in f for f in found)


def test_a_turning_axis_of_unknown_kind_is_not_told_about_millimetres_too() -> None:
    found = findings(changed('{ kind = "rotary" }', '{ kind = "worm" }', FULL))
    assert len(found) == 1
    assert 'axes.a.drive.kind = "worm"' in found[0]


def test_a_feeder_has_no_ends() -> None:
    (found,) = findings(FULL + "range_mm = [0, 10]\n")
    assert "axes.e.range_mm = [0, 10]" in found
    assert "a feeder has no ends" in found


def test_all_mistakes_at_once_in_the_order_of_the_card() -> None:
    text = changed("pulley_teeth = 20", "pulley_teeth = 0")
    text = changed("microsteps = 16", "microsteps = 16.5", text)
    text = changed("range_mm = 150", "range_mm = nan", text)
    text = changed('"Mule"', "7", text)
    found = findings(text)
    keys = [finding.split(": ")[1].split(" = ")[0] for finding in found]
    assert keys == [
        "machine.name", "caliper.range_mm", "axes.x.drive.pulley_teeth", "axes.x.motor.microsteps"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "it is empty"),
        (" \n\t\n", "it is empty"),
        ("\ufeff", "it is empty"),
        ("name = ", "this is not TOML: Invalid value (at end of document)"),
        ("a = 1\nb 2", "line 2"),
        (SMALL + "range_mm = [0, 1]\n", "line 14"),  # the same key twice
        (SMALL + "[caliper]\n", "line 14"),  # the same table twice
        ("a = 1\x00", "this is not TOML"),
        ("a = 1\rb = 2", "this is not TOML"),
        (f"a = {'9' * 900}\nb = [\n" + "[\n" * 5000, "nested too deep"),
        ("a = " + "[" * 900 + "]" * 90, "nested too deep|this is not TOML"),
        ("a = " + "{a=" * 250, "this is not TOML"),
        ("a = 1\n" + ".".join("a" * 600) + " = 1", "line 2 has 1203 characters"),
    ],
)
def test_what_is_no_card_at_all(text: str, says: str) -> None:
    (finding,) = findings(text)
    assert any(part in finding for part in says.split("|"))


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_a_file_is_kept_to_the_byte(tmp_path: Path, ends: str, mark: str) -> None:
    raw = (mark + SMALL.replace("\n", ends)).encode()
    path = tmp_path / "mule.toml"
    path.write_bytes(raw)
    card = read_card(path)
    assert card.text.encode() == raw
    assert card.sha256 == hashlib.sha256(raw).hexdigest()
    assert card.axes == parse_card(SMALL, "small").axes


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    def refused(path: Path) -> str:
        with pytest.raises(BadFile) as caught:
            read_card(path)
        (finding,) = caught.value.findings
        assert "expected a machine card" in finding or "check" in finding or "save" in finding
        return finding

    assert "there is no such file" in refused(tmp_path / "missing.toml")
    assert "this is a folder" in refused(tmp_path)
    assert "cannot be read" in refused(Path("nul\0byte"))
    assert r"nul\x00byte" in refused(Path("nul\0byte"))
    (tmp_path / "file").write_text("")
    assert "cannot be read" in refused(tmp_path / "file" / "below")
    assert "it is empty" in refused(tmp_path / "file")
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * 40 + b"\n" * (1 << 20))
    assert "larger than 1 MiB" in refused(large)
    latin = tmp_path / "latin.toml"
    latin.write_bytes(SMALL.replace("Mule", "M\u00fcller").encode("latin-1"))
    assert "line 3 is not UTF-8 text (byte 0xfc)" in refused(latin)


def test_outside_text_cannot_disturb_a_terminal() -> None:
    found = findings(
        changed('"Mule"', r'"Mule" ' + "\n" + r'"\u001b]0;x\u0007" = "' + r"\u202e" * 100 + '"')
    )
    assert any(r"\x1b]0;x\x07" in finding for finding in found)
