"""``tuner travel``: the working, all four forms, the stored number and what contradicts it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from card_mutations import OTHERS, STRAIGHT

from tuner.cli import run
from tuner.errors import BadFile, UsedWrongly

MOTOR = ["--full-steps", "200", "--microsteps", "16"]
BELT = ["belt", "--pitch", "2", "--teeth", "20"]


def printed(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert run(["travel", *arguments]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return " ".join(out.split())  # folded lines joined


def reports(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[dict[str, Any]]:
    assert run(["travel", *arguments, "--json"]) == 0

    def no_constant(name: str) -> None:
        raise AssertionError(f"{name} is no JSON")

    lines = capsys.readouterr().out.splitlines()
    return [json.loads(line, parse_constant=no_constant) for line in lines]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (BELT, ["20 teeth x 2 mm = 40 mm per revolution", "steps per mm not known",
                "steps need the motor"]),
        ([*BELT, *MOTOR], ["200 full steps x 16 microsteps = 3200", "steps per mm 80",
                           "mm per step 0.0125", "lost cycle (4 full steps) 0.8"]),
        (["belt", "--pitch", "0,2in", "--teeth", "10"], ["10 teeth x 5.08 mm = 50.8 mm"]),
        (["belt", "XL", "--teeth", "10"], ["XL: trapezoidal teeth", "(ISO 5296)",
                                           "10 teeth x 5.08 mm = 50.8 mm"]),
        (["screw", "Tr", "8", "x", "8", "(P2)"], ["4 starts x 2 mm = 8 mm", "ISO 2904"]),
        (["screw", "1/4-16"], ["1 start x 1.5875 mm = 1.5875 mm", "ASME B1.5"]),
        (["screw", "--pitch", "2", "--starts", "4"], ["4 starts x 2 mm = 8 mm"]),
        (["screw", "--pitch", "2"], ["1 start x 2 mm = 2 mm"]),
        (["screw", "--lead", "8", "--starts", "4"], ["4 starts x 2 mm = 8 mm"]),
        (["screw", "--lead", "8", "--pitch", "2"], ["4 starts x 2 mm = 8 mm"]),
        (["screw", "--lead", "8"], ["only the lead was given", "= 8 mm per revolution"]),
        (["rack", "m1", "--teeth", "20"], ["m1: module 1 mm", "pi x 1 mm x 20 teeth = 62.8319 mm"]),
        (["rack", "--module", "1.5", "--teeth", "20"], ["= 94.2478 mm per revolution"]),
        (["feeder", "--diameter", "7.3", "--gears", "17:50"],
         ["22.9336 mm x 17/50 = 7.79743 mm per motor revolution", "effective diameter is less"]),
        (["rotary", "--gears", "1:90", "--step-angle", "1,8", "--microsteps", "16"],
         ["360 deg x 1/90 = 4 deg", "steps per deg 800", "deg per step 0.00125"]),
        (["measured", "--travel", "39.98"], ["measured: 39.98 mm"]),
        ([*BELT, "--gears", "16:80", "17:50", *MOTOR],
         ["40 mm x 16/80 x 17/50 = 2.72 mm per motor revolution", "steps per mm 1176.47"]),
        ([*BELT, *MOTOR, "--stored", "40", "steps-per-mm"],
         ["stored is exactly half of what the parts give", "8 microsteps instead of 16"]),
        ([*BELT, *MOTOR, "--stored", "80", "steps_per_mm"],
         ["stored is 80 steps per mm, as the parts give"]),
        ([*BELT, "--stored", "32", "travel_per_rev_mm"], ["16 teeth instead of 20"]),
    ],
)  # fmt: skip
def test_what_the_parts_give(
    capsys: pytest.CaptureFixture[str], arguments: list[str], says: list[str]
) -> None:
    text = printed(capsys, *arguments)
    for words in says:
        assert words in text
    assert ("mm" in text) != (arguments[0] == "rotary")


def test_no_line_runs_off_the_page(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["travel", *BELT, *MOTOR, "--stored", "40", "steps_per_mm"]) == 0
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 100


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "expected either a drive (belt, screw"),
        (["--card", "c.toml", "belt", "--pitch", "2"], "expected either a drive"),
        (["--axis", "x", *BELT], "give --card as well"),
        (["belt"], "--pitch is missing"),
        (["belt", "--pitch", "2"], "--teeth is missing"),
        (["belt", "--pitch", "two", "--teeth", "20"], "--pitch: 'two' is not a length"),
        (["belt", "--pitch", "-2", "--teeth", "20"], "pitch_mm = -2: expected 0.0001 to"),
        (["belt", "--pitch", "-2,5", "--teeth", "20"], "pitch_mm = -2.5: expected"),
        (["belt", "--pitch", "2", "--teeth", "2"], "from 3 to"),
        (["belt", "--pitch", "2", "--teeth", "20.5"], "'20.5' is not a whole number"),
        (["belt", "--pitch", "2", "--teeth", "9" * 5000], "is not a whole number"),
        (["belt", "XL", "--pitch", "2", "--teeth", "20"], "already says what --pitch says"),
        (["belt", "\x1b[2J", "--teeth", "20"], "\\x1b[2J' is no designation"),
        (["screw"], "the screw is missing"),
        (["screw", "M8", "--starts", "2"], "already says what --starts says"),
        (["screw", "--lead", "8", "--pitch", "3"], "do not agree"),
        (["screw", "--lead", "8", "--pitch", "2", "--starts", "3"], "do not agree"),
        (["screw", "--lead", "8", "--pitch", "0"], "do not agree"),
        (["screw", "--lead", "8", "--starts", "0"], "starts = 0"),
        (["rack", "m1", "--module", "1", "--teeth", "9"], "already says what --module says"),
        (["feeder"], "--diameter is missing"),
        (["measured"], "--travel is missing"),
        ([*BELT, "--microsteps", "16"], "--microsteps alone does not make a motor"),
        ([*BELT, "--full-steps", "200"], "--microsteps is missing"),
        (
            [*BELT, "--full-steps", "200", "--step-angle", "1.8", "--microsteps", "1"],
            "say the same",
        ),
        ([*BELT, "--full-steps", "0", "--microsteps", "16"], "expected the steps of one turn"),
        ([*BELT, "--step-angle", "1.7", "--microsteps", "16"], "whole number of steps in a turn"),
        ([*BELT, "--full-steps", "200", "--microsteps", "0"], "microsteps = 0"),
        ([*BELT, "--full-steps", "200", "--microsteps", "16", "32"], "tuner convert"),
        ([*BELT, "--gears", "3"], "'3' is not a gear pair"),
        ([*BELT, "--gears", "0:3"], "driver = 0"),
        ([*BELT, "--gears", *(["1:9999"] * 11)], "--gears has 11 pairs; expected at most 10"),
        ([*BELT, "--stored", "80", "steps_per_mm"], "needs the motor"),
        ([*BELT, "--stored", "80", "steps"], "is not one of the four forms"),
        ([*BELT, "--stored", "0", "travel_per_rev_mm"], "expected more than 0"),
        ([*BELT, "--stored", "80", "steps_per_deg"], "is in deg, and this drive moves in mm"),
    ],
)
def test_what_is_used_wrongly_is_one_clear_sentence(arguments: list[str], says: str) -> None:
    with pytest.raises(UsedWrongly) as caught:
        run(["travel", *arguments])
    assert says in str(caught.value)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 500
    assert caught.value.exit_status == 2


def test_a_card_axis_by_axis(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    card = tmp_path / "card.toml"
    card.write_text(OTHERS, encoding="utf-8")
    text = printed(capsys, "--card", str(card))
    for words in (
        "Workbench two, axis Z: screw",
        "8 mm x 20/60 = 2.66667 mm per motor revolution",
        "stored is 1200 steps per mm, as the parts give",
        "Workbench two, axis A: rotary",
        "Workbench two, axis E: feeder",
    ):
        assert words in text
    assert "coupled" not in text
    only = printed(capsys, "--card", str(card), "--axis", "E", "--axis", "a")
    assert only.count("Workbench two, axis") == 2
    with pytest.raises(UsedWrongly, match="no axis q; it has z, a, u, e"):
        run(["travel", "--card", str(card), "--axis", "q"])


def test_coupled_belts_are_said_to_be_motors(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    card = tmp_path / "card.toml"
    card.write_text(STRAIGHT, encoding="utf-8")
    assert "drives of motors a and b" in printed(capsys, "--card", str(card), "--axis", "x")


def test_a_wrong_card_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(BadFile, match="there is no such file"):
        run(["travel", "--card", str(tmp_path / "card.toml")])


def test_the_json_of_a_drive(capsys: pytest.CaptureFixture[str]) -> None:
    (report,) = reports(
        capsys, *BELT, "--gears", "17:50", *MOTOR, "--stored", "200", "steps_per_mm"
    )
    contradiction = report["stored"].pop("contradiction")
    assert "what the parts give" in contradiction
    assert report == {
        "schema": 1,
        "file": None,
        "machine": None,
        "axis": None,
        "unit": "mm",
        "drive": {"kind": "belt", "pitch_mm": 2.0, "pulley_teeth": 20},
        "gears": [{"driver": 17, "driven": 50}],
        "gear_ratio": {"value": 0.34, "exact": "17/50"},
        "motor": {"step_angle_deg": 1.8, "full_steps_per_rev": 200, "microsteps": 16},
        "travel_per_rev_mm": 40.0,
        "travel_per_motor_rev_mm": 13.6,
        "steps_per_mm": 4000 / 17,
        "mm_per_step": 0.00425,
        "exact": {
            "travel_per_rev_mm": "40",
            "travel_per_motor_rev_mm": "68/5",
            "steps_per_mm": "4000/17",
            "mm_per_step": "17/4000",
        },
        "lost_cycle_mm": 0.272,
        "working": [
            "20 teeth x 2 mm = 40 mm per revolution",
            "40 mm x 17/50 = 13.6 mm per motor revolution",
            "200 full steps x 16 microsteps = 3200 steps per motor revolution",
            "3200 / 13.6 mm = 235.294 steps per mm = 0.00425 mm per step",
        ],
        "notes": [],
        "stored": {
            "form": "steps_per_mm",
            "value": 200.0,
            "travel_per_rev_mm": 800 / 17,
            "travel_per_motor_rev_mm": 16.0,
            "steps_per_mm": 200.0,
            "mm_per_step": 0.005,
        },
    }


def test_what_is_not_known_is_null_and_pi_has_no_fraction(
    capsys: pytest.CaptureFixture[str],
) -> None:
    (report,) = reports(capsys, "feeder", "--diameter", "7.3")
    for key in ("motor", "steps_per_mm", "mm_per_step", "exact", "lost_cycle_mm", "stored"):
        assert report[key] is None


def test_the_json_of_a_card_is_a_line_an_axis(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    card = tmp_path / "card.toml"
    card.write_text(OTHERS, encoding="utf-8")
    found = reports(capsys, "--card", str(card))
    assert [report["axis"] for report in found] == ["z", "a", "u", "e"]
    assert all(report["machine"] == "Workbench two" for report in found)
    turning = found[1]
    assert turning["unit"] == "deg"
    assert (turning["steps_per_deg"], turning["deg_per_step"]) == (800.0, 0.00125)
    assert turning["stored"]["form"] == "steps_per_deg"
    assert turning["stored"]["contradiction"] is None
    assert not [key for key in turning if key.endswith("_mm")]


def test_the_widest_numbers_are_still_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    """Ten pairs of the largest wheels, the finest steps, the longest and shortest travel."""
    finest = ["--full-steps", "100000", "--microsteps", "65536"]
    for travel, pair in (("0.0001", "1:10000"), ("10000", "10000:1")):
        arguments = ["measured", "--travel", travel, *finest, "--gears", *([pair] * 10)]
        (report,) = reports(capsys, *arguments)
        assert 0 < report["steps_per_mm"] < float("inf")
        assert 0 < report["mm_per_step"] < float("inf")
        printed(capsys, *arguments)


def test_json_may_stand_before_the_drive(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["travel", "--json", *BELT]) == 0
    assert json.loads(capsys.readouterr().out)["travel_per_rev_mm"] == 40.0


def test_the_quick_path_loads_nothing_heavy() -> None:
    watch = (
        "import sys; from tuner.cli import run; "
        "run(['travel', 'belt', '--pitch', '2', '--teeth', '20', '--json']); "
        "heavy = {'numpy', 'prompt_toolkit', 'serial', 'sqlite3', 'tomllib'} & {*sys.modules}; "
        "sys.exit(','.join(sorted(heavy)) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", watch], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_used_wrongly_ends_with_two_and_no_traceback() -> None:
    command = [sys.executable, "-m", "tuner", "travel", "belt", "--pitch", "-2,5", "--teeth", "20"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith("tuner: ")
    assert len(done.stderr.splitlines()) == 1
