"""Machine cards as somebody breaks them, from a seed, and what must hold for each.

``mutated`` makes a card that a person, an editor or a bad copy might leave behind. ``held``
reads it as the program does and, with the TOML reader alone, as it stands there: either it is
refused in clear words, or every value on the card is the one in the file.
"""

from __future__ import annotations

import json
import random
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from decimal import Decimal
from fractions import Fraction
from typing import Any

from tuner.card.check import warnings
from tuner.card.read import parse_card
from tuner.card.schema import Axis, Card
from tuner.commands.travel import Travel, as_report
from tuner.errors import BadFile

SOURCE = "fuzz.toml"
_LONGEST_FINDING = 700

STRAIGHT = """\
schema = 1
[machine]
name = "Bench mule"
layout = "coupled-belts"
dialect = "printer"
baud = 250000
hold_time_s = 90.5

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

[axes.y]
drive = { kind = "rack", module_mm = 1.5, pinion_teeth = 20 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { travel_per_rev_mm = 94.2478 }
range_mm = [0, 400]
"""

OTHERS = """\
schema = 1

[machine]
name = "Workbench two"
dialect = "plain"

[caliper]
range_mm = 200
resolution_mm = 0.02
error_limit_mm = 0.05

[axes.z]
drive = { kind = "screw", pitch_mm = 2, starts = 4 }
gears = [{ driver = 20, driven = 60 }]
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 1200 }
range_mm = [0, 180]

[axes.a]
drive = { kind = "rotary" }
gears = [{ driver = 1, driven = 90 }]
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_deg = 800.0 }
range_deg = [-180.0, 180.0]
reference = { at = "min", position_deg = -180.0 }
feed_deg_per_min = 300

[axes.u]
drive = { kind = "measured", travel_per_rev_mm = 39.98 }
motor = { step_angle_deg = 7.5, microsteps = 1 }
stored = { steps_per_mm = 1.2 }
range_mm = [0, 50]

[axes.e]
drive = { kind = "feeder", diameter_mm = 7.3 }
gears = [{ driver = 17, driven = 50 }]
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { mm_per_step = 0.0024 }
filament_diameter_mm = 1.75
max_feed_mm_per_s = 3.0
max_temperature_c = 240
"""

CARDS = (STRAIGHT, OTHERS)

# --- how a card breaks --------------------------------------------------------------------

_VALUES = (
    "0", "-0.0", "-1", "1", "2", "1e3", "1e999999", "1e-999999", "-1e400", "inf", "-inf", "nan",
    "99999999999999999999", "0xffffffffffffffffffffffffffffffff", "1_000", "0o17", "20.0",
    "1.00000000000000000000000000000000000000001", "3.3333333333333333", "9" * 5000,
    "0." + "0" * 500 + "1", "true", "false", '"20"', '""', '"   "', "[]", "[1, 2]", "{}",
    "{ kind = \"belt\" }", "1979-05-27", "07:32:00", "1979-05-27T07:32:00Z", "'x'", "80/3", "2,5",
    "",
)  # fmt: skip
_CHARACTERS = (
    "\x00", "\x07", "\x1b[2J", "\x7f", "\x9b", "\u202e", "\u2066", "\ufeff", "\u200b", "\r", "\n",
    "\t", "\\u0000", "\\u001b", "\\u202e", "\\U0001F600", "\\q", '"', "'", "=", "#", "[", "]", "{",
    "}", ",", ".", "é", "１", "\U0001f600", "A" * 300,
)  # fmt: skip
_WORDS = (
    "kind", "belt", "screw", "rack", "feeder", "rotary", "measured", "mm", "deg", "axes.x",
    "axes.a", "axes.e", "axes.q", "machine",
    "steps_per_mm", "mm_per_step", "travel_per_rev_mm", "pitch_mm",
    "microsteps", "starts", "driver", "driven", "min", "max", "none", "plus", "schema",
)  # fmt: skip
_NUMBER = re.compile(r"(?<![\w.\-])-?\d[\d.]*(?![\w.\-])")
_WORD = re.compile(r"[a-z_]{2,}")
_STRING = re.compile(r'"[^"\n]*"')

Mutation = Callable[[random.Random, str], str]


def _replaced(chance: random.Random, text: str, pattern: re.Pattern[str], new: str) -> str:
    places = [*pattern.finditer(text)]
    if not places:
        return text
    place = chance.choice(places)
    return text[: place.start()] + new + text[place.end() :]


def _another_number(chance: random.Random, text: str) -> str:
    return _replaced(chance, text, _NUMBER, chance.choice(_VALUES))


def _slightly_another_number(chance: random.Random, text: str) -> str:
    number = (
        f"{chance.choice(['', '-'])}{chance.randrange(0, 3000)}{chance.choice(['', '.5', '.25'])}"
    )
    return _replaced(chance, text, _NUMBER, number)


def _a_near_number(chance: random.Random, text: str) -> str:
    places = [place for place in _NUMBER.finditer(text) if place[0].count(".") < 2]
    if not places:
        return text
    place = chance.choice(places)
    number = Decimal(place[0]) * chance.choice([2, 3, 10, Decimal("0.5"), Decimal("1.02")])
    return text[: place.start()] + format(number, "f") + text[place.end() :]


def _another_word(chance: random.Random, text: str) -> str:
    return _replaced(chance, text, _WORD, chance.choice(_WORDS))


def _another_string(chance: random.Random, text: str) -> str:
    return _replaced(chance, text, _STRING, f'"{chance.choice(_CHARACTERS)}"')


def _a_character_more(chance: random.Random, text: str) -> str:
    place = chance.randrange(len(text) + 1)
    return text[:place] + chance.choice(_CHARACTERS) + text[place:]


def _a_character_less(chance: random.Random, text: str) -> str:
    place = chance.randrange(max(len(text), 1))
    return text[:place] + text[place + 1 :]


def _cut_off(chance: random.Random, text: str) -> str:
    return text[: chance.randrange(len(text) + 1)]


def _lines(change: Callable[[random.Random, list[str]], None]) -> Mutation:
    def mutation(chance: random.Random, text: str) -> str:
        lines = text.split("\n")
        change(chance, lines)
        return "\n".join(lines)

    return mutation


def _without_one(chance: random.Random, lines: list[str]) -> None:
    del lines[chance.randrange(len(lines))]


def _twice(chance: random.Random, lines: list[str]) -> None:
    lines.insert(chance.randrange(len(lines) + 1), chance.choice(lines))


def _swapped(chance: random.Random, lines: list[str]) -> None:
    one, other = chance.randrange(len(lines)), chance.randrange(len(lines))
    lines[one], lines[other] = lines[other], lines[one]


def _duplicate_axis(chance: random.Random, lines: list[str]) -> None:
    heads = [number for number, line in enumerate(lines) if line.startswith("[axes.")]
    if heads:
        start = chance.choice(heads)
        axis = lines[start : start + 5]
        axis[0] = chance.choice([axis[0], "[axes.X]", "[axes.v]", '[axes."x"]', "[axes]"])
        lines += axis


def _nested(chance: random.Random, lines: list[str]) -> None:
    deep = chance.choice([3, 100, 3000])
    lines.insert(
        chance.randrange(len(lines) + 1),
        chance.choice(
            [
                "deep = " + "[" * deep + "]" * deep,
                "deep = " + "{ a = " * deep + "1" + " }" * deep,
                ".".join("a" * min(deep, 400)) + " = 1",
                "gears = [" + "{ driver = 16, driven = 80 }, " * deep + "]",
            ]
        ),
    )


def _other_line_ends(chance: random.Random, text: str) -> str:
    return chance.choice(["\ufeff", ""]) + text.replace("\n", chance.choice(["\r\n", "\r", "\n\n"]))


_MUTATIONS: Sequence[Mutation] = (
    _another_number, _another_number, _slightly_another_number, _slightly_another_number,
    _a_near_number, _a_near_number, _a_near_number, _another_word, _another_string,
    _a_character_more, _a_character_less, _cut_off, _lines(_without_one), _lines(_twice),
    _lines(_swapped), _lines(_duplicate_axis), _lines(_nested), _other_line_ends,
)  # fmt: skip


def mutated(seed: int) -> str:
    """Return a card with one to three things done to it."""
    chance = random.Random(seed)
    text = chance.choice(CARDS)
    for _ in range(chance.choice([1, 1, 1, 2, 3])):
        text = chance.choice(_MUTATIONS)(chance, text)
    return text


# --- what must hold -----------------------------------------------------------------------


def held(text: str) -> bool:
    """Return whether `text` is a card; raises ``AssertionError`` where a promise is broken."""
    try:
        card = parse_card(text, SOURCE)
    except BadFile as refusal:
        assert refusal.findings
        for finding in refusal.findings:
            assert finding.startswith(f"{SOURCE}: "), finding
            assert finding.isprintable(), finding
            assert len(finding) <= _LONGEST_FINDING, finding
        return False
    written = tomllib.loads(text.removeprefix("\ufeff"), parse_float=Decimal)
    _same(written, _as_written(card), "")
    for warning in warnings(card):
        assert warning.isprintable(), warning
    for axis in card.axes.values():
        view = Travel(train=axis.train, motor_known=True, stored=axis.stored, axis=axis.name)
        json.dumps(as_report(view), allow_nan=False)
    return True


def _same(written: Any, read: Any, path: str) -> None:
    """Assert that every value `written` in the file was `read`, and is the same."""
    if isinstance(written, Mapping):
        assert isinstance(read, Mapping), path
        for key, value in written.items():
            assert key in read, f"{path}.{key} was written and not read"
            _same(value, read[key], f"{path}.{key}")
    elif isinstance(written, list):
        assert len(written) == len(read), path
        for one, other in zip(written, read, strict=True):
            _same(one, other, f"{path}[]")
    elif isinstance(written, (int, Decimal)) and not isinstance(written, bool):
        same = float(written) == read if isinstance(read, float) else Fraction(written) == read
        assert same and not isinstance(read, bool), f"{path}: {written} became {read}"
    else:
        assert type(written) is type(read) and written == read, f"{path}: {written!r}, {read!r}"


def _as_written(card: Card) -> dict[str, Any]:
    """Return `card` under the keys of the file."""
    return {
        "schema": 1,
        "machine": {
            "name": card.name,
            "layout": card.layout,
            "dialect": card.dialect,
            "baud": card.baud,
            "hold_time_s": card.hold_time_s,
        },
        "caliper": asdict(card.caliper),
        "axes": {name: _axis_as_written(axis) for name, axis in card.axes.items()},
    }


def _axis_as_written(axis: Axis) -> dict[str, Any]:
    train, unit = axis.train, axis.train.unit
    table: dict[str, Any] = {
        "drive": {"kind": train.drive.kind, **vars(train.drive)},
        "gears": [asdict(pair) for pair in train.gears],
        "motor": asdict(train.motor),
        "stored": {axis.stored.form.value.replace("mm", unit): axis.stored.value},
        f"range_{unit}": [*axis.range_mm],
        "reference": {"at": axis.reference.at, f"position_{unit}": axis.reference.position_mm},
        "caliper": {"reading_grows": axis.reading_grows},
        f"feed_{unit}_per_min": axis.feed_mm_per_min,
        f"acceleration_{unit}_per_s2": axis.acceleration_mm_per_s2,
        "max_pulse_rate_hz": axis.max_pulse_rate_hz,
        "motors": axis.motors,
        "moves": axis.moves,
        "vertical": axis.vertical,
    }
    if axis.filament is not None:
        table["filament_diameter_mm"] = axis.filament.diameter_mm
        table["max_feed_mm_per_s"] = axis.filament.max_feed_mm_per_s
        table["max_temperature_c"] = axis.filament.max_temperature_c
    return table
