"""Reading a proposal back: what was promised, and what is refused."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from tuner.card.read import parse_card
from tuner.drive.scale import Form
from tuner.errors import BadFile, InputFault
from tuner.handover.filed import read_proposal
from tuner.handover.proposal import write_proposal
from tuner.metrology.examination import Described, examine_readings
from tuner.metrology.reading import Approached, Reading
from tuner.rehearsal.faults import card_text


def proposal(folder: Path, scale: float) -> Path:
    """Write the proposal of a belt axis that travels `scale` of what it is told."""
    card = parse_card(card_text(), "card")
    axis = card.axes["x"]
    places: tuple[tuple[float, Approached], ...] = (
        (10.0, "plus"),
        (110.0, "plus"),
        (110.0, "minus"),
        (10.0, "minus"),
    )
    readings = [
        Reading(at_mm, round(20.0 + scale * at_mm, 2), side, n=n)
        for n, (at_mm, side) in enumerate(places * 2, 1)
    ]
    found = examine_readings(
        readings,
        resolution_mm=0.01,
        error_limit_mm=0.03,
        grows=1,
        described=Described(axis.train, axis.stored, 220.0),
    )
    finding = found.as_json(file=None, axis="x")
    when = datetime(2026, 3, 14, 10, 15, tzinfo=UTC)
    return write_proposal(folder, when, "made up", card, axis, finding, []).path


def test_a_proposal_comes_back_as_what_it_promised(tmp_path: Path) -> None:
    filed = read_proposal(proposal(tmp_path, 0.8))
    assert (filed.axis, filed.basis, filed.stored_form) == ("x", "parts", Form.STEPS_PER_MM)
    assert filed.promise.exact
    # 16 teeth where the card says 20 ask for 100 steps per mm in place of 80.
    assert filed.promise.factor == pytest.approx(1.25, rel=1e-12)
    assert filed.promise.before == pytest.approx(0.8, abs=0.002)
    assert filed.promise.after == 1.0


@pytest.mark.parametrize("form", ["travel_per_rev_mm", "mm_per_step"])
def test_a_longer_travel_per_turn_means_less_travel_per_mm(tmp_path: Path, form: str) -> None:
    path = proposal(tmp_path, 0.8)
    text = path.read_text(encoding="utf-8").replace(
        'stored_form = "steps_per_mm"', f'stored_form = "{form}"'
    )
    lines = [line for line in text.splitlines() if not line.startswith("steps_per_mm = ")]
    path.write_text("\n".join(lines), encoding="utf-8")
    assert read_proposal(path).promise.factor == pytest.approx(1.25, rel=1e-12)


def test_nothing_to_check_where_nothing_was_proposed(tmp_path: Path) -> None:
    with pytest.raises(InputFault, match="verdict is keep"):
        read_proposal(proposal(tmp_path, 1.0))


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("[scale]", "[scales]", "scale: missing"),
        ('basis = "parts"', 'basis = "hope"', 'basis = "hope"'),
        ("steps_per_mm = 100.0", "steps_per_mm = -100.0", "proposed.steps_per_mm"),
        ("steps_per_mm = 100.0", "steps_per_mm = nan", "proposed.steps_per_mm"),
        ("steps_per_mm = 100.0", "", "proposed.steps_per_mm: missing"),
        ("schema = 1", "schema = 2", "schema = 2"),
        ('axis = "x"', "axis = 3", "axis = 3"),
    ],
)
def test_an_edited_proposal_is_refused_with_its_key(
    tmp_path: Path, old: str, new: str, complaint: str
) -> None:
    path = proposal(tmp_path, 0.8)
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(BadFile) as caught:
        read_proposal(path)
    assert complaint in str(caught.value)
