"""What ``import tuner`` offers to a notebook."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from card_mutations import STRAIGHT

import tuner
from tuner.card.read import parse_card, read_card
from tuner.errors import BadFile, BadReadings, UsedWrongly

INDEPENDENT = STRAIGHT.replace("coupled-belts", "independent")
AT = np.array([0.0, 120.0, 120.0, 0.0, 40.0, 80.0])
READING = np.array([150.0, 53.98, 54.04, 150.02, 118.02, 86.04])  # x of that card grows in minus
SIDES = ["plus", "plus", "minus", "minus", "plus", "minus"]


@pytest.fixture
def card_path(tmp_path: Path) -> Path:
    path = tmp_path / "card.toml"
    path.write_text(INDEPENDENT, encoding="utf-8")
    return path


def test_arrays_in_and_dataclasses_out():
    found = tuner.examine(AT, READING, approach=SIDES)
    assert found.scale.value == pytest.approx(0.8, abs=1e-3)
    assert found.fit.play_mm is not None
    assert found.fit.residuals_mm.shape == (6,)
    assert found.finding is None
    assert "no machine card" in found.why_no_causes
    assert (found.resolution_mm, found.error_limit_mm) == (0.01, 0.05)


def test_a_card_and_the_path_of_one_are_the_same(card_path: Path):
    found = [
        tuner.examine(AT, READING, approach=SIDES, card=card, axis="x")
        for card in (card_path, str(card_path), read_card(card_path))
    ]
    reports = [one.as_json(file=None, axis="x") for one in found]
    assert reports[0] == reports[1] == reports[2]
    assert reports[0]["travel_per_rev_mm"] is not None


@pytest.mark.parametrize(
    ("placed", "limit_mm"), [("depth-rod", 0.05), ("inside-jaws", 0.05), ("outside-jaws", 0.03)]
)
def test_the_caliper_counts_as_it_was_placed(card_path: Path, placed, limit_mm):
    found = tuner.examine(AT, READING, card=card_path, axis="x", placed=placed)
    assert found.error_limit_mm == pytest.approx(limit_mm)


def test_the_only_axis_of_a_card_needs_no_name():
    one_axis = INDEPENDENT.split("[axes.y]")[0]
    found = tuner.examine(AT, READING, card=parse_card(one_axis, "card"))
    assert found.finding is not None


def test_coupled_belts_give_a_scale_and_say_why_no_causes():
    found = tuner.examine(AT, READING, card=parse_card(STRAIGHT, "card"), axis="x")
    assert found.finding is None
    assert "two belts move x" in found.why_no_causes
    assert found.scale.value == pytest.approx(0.8, abs=1e-3)


def test_what_a_caliper_does_not_measure_is_refused():
    from card_mutations import OTHERS

    for axis, says in (("a", "axis a turns"), ("e", "axis e feeds filament")):
        with pytest.raises(UsedWrongly, match=says):
            tuner.examine(AT, READING, card=parse_card(OTHERS, "card"), axis=axis)


def test_what_does_not_go_together_is_refused(card_path: Path, tmp_path: Path):
    with pytest.raises(UsedWrongly, match="give the card as well"):
        tuner.examine(AT, READING, axis="x")
    with pytest.raises(UsedWrongly, match="has x, y; it takes one to say"):
        tuner.examine(AT, READING, card=card_path)
    with pytest.raises(UsedWrongly, match="there is no axis q"):
        tuner.examine(AT, READING, card=card_path, axis="q")
    with pytest.raises(BadFile):
        tuner.examine(AT, READING, card=tmp_path / "none.toml", axis="x")
    with pytest.raises(BadReadings):
        tuner.examine([0.0], [20.0])


def test_the_axis_test_is_there_too():
    targets = np.array([0.0, 21.0, 43.0, 66.0, 90.0])
    runs = targets[:, None] + np.zeros((5, 5))
    assert tuner.axis_test(targets, runs - 0.04, runs + 0.04).reversal_mm == pytest.approx(0.08)


def test_everything_offered_is_documented_with_units_shapes_and_errors():
    for name in tuner.__all__:
        text = getattr(tuner, name).__doc__
        assert all(word in text for word in ("mm", "(n,)" if name == "examine" else "(m,)"))
        assert "Raises ``BadReadings``" in text


def test_other_names_are_no_attributes():
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = tuner.nothing


def test_importing_alone_stays_light():
    heavy = ("numpy", "serial", "prompt_toolkit", "tuner.notebook")
    script = f"import tuner, sys; print([one for one in {heavy} if one in sys.modules])"
    out = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"
