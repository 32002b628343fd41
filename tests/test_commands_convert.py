"""``tuner convert``: between the forms, across microsteps, nominal against exact gears."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from card_mutations import OTHERS
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tuner.cli import run
from tuner.errors import UsedWrongly

MOTOR = ["--full-steps", "200", "--microsteps", "16"]
FORMS = ["travel_per_rev_mm", "travel_per_motor_rev_mm", "steps_per_mm", "mm_per_step"]


def printed(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert run(["convert", *arguments]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return " ".join(out.split())


def report(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert run(["convert", *arguments, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    return found


@pytest.fixture
def card(tmp_path: Path) -> str:
    path = tmp_path / "card.toml"
    path.write_text(OTHERS, encoding="utf-8")
    return str(path)


@pytest.mark.parametrize(
    ("value", "form"),
    [
        ("40", FORMS[0]),
        ("8", FORMS[1]),
        ("400", FORMS[2]),
        ("0,0025", FORMS[3]),
        ("1/400", FORMS[3]),
    ],
)
def test_all_four_forms_from_each(
    capsys: pytest.CaptureFixture[str], value: str, form: str
) -> None:
    found = report(capsys, value, form, *MOTOR, "--gears", "16:80")
    assert [found[key] for key in FORMS] == [40.0, 8.0, 400.0, 0.0025]
    assert found["exact"] == dict(zip(FORMS, ["40", "8", "400", "1/400"], strict=True))
    assert found["given"]["form"] == form
    assert found["microsteps"] is found["nominal"] is None


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40)
@given(
    st.fractions(Fraction(1, 1000), 1000, max_denominator=1000),
    st.sampled_from(FORMS),
    st.sampled_from(FORMS),
    st.integers(3, 99),
    st.integers(3, 99),
)
def test_there_and_back_through_the_command_loses_nothing(
    capsys: pytest.CaptureFixture[str],
    value: Fraction,
    one: str,
    other: str,
    driver: int,
    driven: int,
) -> None:
    parts = [*MOTOR, "--gears", f"{driver}:{driven}"]
    there = report(capsys, str(value), one, *parts)["exact"][other]
    if len(there) <= 12:
        assert report(capsys, there, other, *parts)["exact"][one] == str(value)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["80", "steps_per_mm"], ["mm per revolution not known", "add --full-steps 200"]),
        (["0.2in", "travel-per-rev-mm"], ["5.08 mm per revolution", "5.08 given"]),
        (["80", "steps_per_mm", *MOTOR], ["no gears", "mm per revolution 40", "80 given"]),
        (["4", "travel_per_motor_rev_deg", "--gears", "1:90", *MOTOR],
         ["deg per revolution 360", "steps per deg 800"]),
        (["80", "steps_per_mm", "--full-steps", "200", "--microsteps", "16", "32", "64",
          "--feed", "6000", "--limit-hz", "20000"],
         ["steps per mm 80 160 320", "mm per step 0.0125 0.00625 0.003125",
          "pulse rate at 6000 mm/min 8000 Hz 16000 Hz 32000 Hz", "40 % 80 % 160 %: too many",
          "15000 mm/min 7500 mm/min 3750 mm/min", "9.8 % 4.91 % 2.45 %",
          "does not change mm per revolution 40", "2.5 turns/s, 150 turns/min",
          "±0.01 mm (5 % of a full step)", "steps of 64 microsteps: the axis would be slower"]),
        (["80", "steps_per_mm", *MOTOR, "--feed", "36000"],
         ["15 turns/s, 900 turns/min, where most motors have little torque"]),
        (["40", "travel_per_rev_mm", "--gears", "17:50", "--nominal", "3:1", *MOTOR],
         ["2.94118 (50/17)", "steps per mm 235.294 240", "20 mm too far in each metre"]),
        (["--gears", "16:80", "--nominal", "4,9"], ["stops 20 mm short in each metre"]),
        (["--gears", "20:60", "--nominal", "3"], ["told 3:1 is right"]),
        (["360", "travel_per_rev_deg", "--gears", "1:90", "--nominal", "88"],
         ["stops 8 deg short in each turn"]),
    ],
)  # fmt: skip
def test_what_is_said(
    capsys: pytest.CaptureFixture[str], arguments: list[str], says: list[str]
) -> None:
    text = printed(capsys, *arguments)
    for words in says:
        assert words in text


def test_without_a_feed_nothing_is_held_against_the_limit(
    capsys: pytest.CaptureFixture[str],
) -> None:
    several = ["80", "steps_per_mm", "--full-steps", "200", "--microsteps", "16", "32"]
    text = printed(capsys, *several)
    assert "pulse rate" not in text
    assert "limit" not in text
    text = printed(capsys, *several, "--limit-hz", "40000")
    assert "fastest feed within the limit 30000 mm/min 15000 mm/min" in text
    assert "share of the limit" not in text


def test_the_axis_of_a_card(capsys: pytest.CaptureFixture[str], card: str) -> None:
    found = report(capsys, "--card", card, "--axis", "z", "--microsteps", "32", "16")
    assert found["given"]["value"] == 1200.0
    assert [column["microsteps"] for column in found["microsteps"]] == [16, 32]
    first, second = found["microsteps"]
    assert (first["steps_per_mm"], second["steps_per_mm"]) == (1200.0, 2400.0)
    assert first["motor_revs_per_s"] == second["motor_revs_per_s"]
    assert (first["max_pulse_rate_hz"], first["within_limit"]) == (40_000.0, True)
    found = report(capsys, "8", "travel_per_rev_mm", "--card", card, "--axis", "z")
    assert found["steps_per_mm"] == 1200.0
    assert found["microsteps"] is None
    found = report(capsys, "--card", card, "--axis", "z", "--feed", "6000", "--limit-hz", "100000")
    assert [column["pulse_rate_hz"] for column in found["microsteps"]] == [120_000.0]
    assert found["microsteps"][0]["within_limit"] is False
    assert "axis E of" in printed(capsys, "--card", card, "--axis", "e", "--nominal", "3")


def test_the_json_of_microsteps_and_nominal(capsys: pytest.CaptureFixture[str]) -> None:
    found = report(
        capsys, "360", "travel_per_rev_deg", "--gears", "1:90", "--nominal", "88",
        "--full-steps", "200", "--microsteps", "16", "--feed", "600",
    )  # fmt: skip
    assert found["unit"] == "deg"
    (column,) = found["microsteps"]
    torque = column.pop("torque_of_one_step")
    assert torque == pytest.approx(0.0980, abs=5e-5)
    assert column == {
        "microsteps": 16,
        "steps_per_deg": 800.0,
        "deg_per_step": 0.00125,
        "feed_deg_per_min": 600.0,
        "motor_revs_per_s": 2.5,
        "pulse_rate_hz": 8000.0,
        "max_pulse_rate_hz": None,
        "within_limit": None,
        "fastest_feed_deg_per_min": None,
    }
    assert found["nominal"] == {
        "reduction": 88.0,
        "reduction_by_teeth": {"value": 90.0, "exact": "90"},
        "error_deg_per_turn": -8.0,
        "travel_per_rev_deg": 360.0,
        "travel_per_motor_rev_deg": 360 / 88,
        "steps_per_deg": 3200 * 88 / 360,
        "deg_per_step": 360 / (3200 * 88),
    }


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "there is nothing to convert"),
        (["80"], "a number needs its form"),
        (["80", "steps_per_mm", "more"], "a number needs its form"),
        (["80", "steps"], "is not one of the four forms"),
        (["eighty", "steps_per_mm"], "'eighty' is not a number"),
        (["0.2in", "steps_per_mm"], "'0.2in' is not a number"),
        (["-5,2", "steps_per_mm"], "-5.2: expected more than 0"),
        (["0", "mm_per_step"], "expected more than 0"),
        (["80", "steps_per_mm", "--axis", "x"], "give --card as well"),
        (["80", "steps_per_mm", "--feed", "6000"], "--feed needs"),
        (["80", "steps_per_mm", *MOTOR, "--feed", "0"], "--feed 0: expected more than 0"),
        (["80", "steps_per_mm", *MOTOR, "--limit-hz", "x"], "--limit-hz: 'x' is not a number"),
        (["--nominal", "3"], "give --gears as well"),
        (["--gears", "17:50", "--nominal", "1:3"], "upside down"),
        (["--gears", "17:50", "--nominal", "0"], "expected more than 0"),
        (["--gears", "17:50", "--nominal", "3:x"], "'x' is not a number"),
        (["--gears", "17:50", "--nominal", "3:0"], "expected more than 0"),
        (["80", "steps_per_mm", "--microsteps", "16"], "alone does not make a motor"),
    ],
)
def test_what_is_used_wrongly(arguments: list[str], says: str) -> None:
    with pytest.raises(UsedWrongly) as caught:
        run(["convert", *arguments])
    assert says in str(caught.value)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "one axis at a time; choose it with --axis, one of z, a, u, e"),
        (["--axis", "q"], "no axis q"),
        (["--axis", "z", "--axis", "a"], "one axis at a time"),
        (["--axis", "z", "--gears", "1:2"], "the card already says"),
        (["--axis", "z", "--full-steps", "200"], "the card already says"),
        (["--axis", "z", "--microsteps", "0"], "microsteps = 0"),
        (["--axis", "u", "--nominal", "3"], "give --gears as well"),
    ],
)
def test_a_card_used_wrongly(card: str, arguments: list[str], says: str) -> None:
    with pytest.raises(UsedWrongly) as caught:
        run(["convert", "--card", card, *arguments])
    assert says in str(caught.value)


def test_a_number_of_the_other_unit(card: str) -> None:
    with pytest.raises(UsedWrongly, match="is in mm, and axis a moves in deg"):
        run(["convert", "80", "steps_per_mm", "--card", card, "--axis", "a"])


def test_a_terminal_without_the_sign_shows_another() -> None:
    command = [sys.executable, "-m", "tuner", "convert", "80", "steps_per_mm", *MOTOR, "32"]
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = subprocess.run(command, capture_output=True, text=True, env=environment, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "?0.01 mm" in done.stdout
