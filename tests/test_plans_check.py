"""Checking a proposal after a person applied it, on the rehearsal machine."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from fakes import CARD_TEXT, Hand, dialect

from tuner.card.read import parse_card
from tuner.cli import run
from tuner.commands.live import dialect_of, simulated
from tuner.commands.rehearse import run_rehearsal
from tuner.commands.resume import resume
from tuner.commands.tune import change_of
from tuner.errors import InputFault, UsedWrongly
from tuner.handover.filed import read_proposal
from tuner.messages import Question, Say
from tuner.metrology.applied import Promise
from tuner.plans.check import Change
from tuner.plans.check import check as plan
from tuner.rehearsal.faults import card_text
from tuner.rehearsal.hands import Hands
from tuner.session.logbook import Logbook


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home where 16 teeth were found on x of the rehearsal machine: 100 steps, not 80."""
    home = tmp_path_factory.mktemp("found")
    assert run(["--home", str(home), "rehearse", "--hands-off", "--axis", "x"]) == 0
    return home


def proposal_in(home: Path) -> Path:
    (path,) = (home / "proposals").glob("*-x.toml")
    return path


def check(home: Path, proposal: Path, typed: str, seed: int = 3) -> None:
    """Check `proposal` on the machine into which somebody has `typed` a number."""
    card = parse_card(card_text(), "card")
    change = change_of(read_proposal(proposal), proposal, card, None)
    url = f"rehearse://bench-mule?seed={seed}&fault=pulley-teeth&axis=x&typed={typed}"
    setup, port = simulated(home, card, dialect_of(card, None), ("x",), url)
    setup = replace(setup, change=change)
    assert run_rehearsal(setup, Hands(port.machine, seed), None) == 0


def state(home: Path, proposal: Path) -> tuple[str, str | None]:
    logbook = Logbook(home / "logbook.db")
    try:
        filed = read_proposal(proposal)
        (one,) = (one for one in logbook.proposals(filed.session) if one.id == filed.id)
        return one.state, one.closed_by
    finally:
        logbook.close()


@pytest.mark.parametrize(
    ("typed", "outcome", "closed_as"),
    [
        ("x:100", "confirmed", "confirmed"),
        ("x:80", "not-applied", "not-applied"),
        ("x:125", "applied-twice", "applied-wrongly"),
        ("x:64", "applied-inverse", "applied-wrongly"),
        ("x:110", "overshoot", "applied-wrongly"),
        ("x:90", "undershoot", "applied-wrongly"),
        ("y:100", "other-axis", "applied-wrongly"),
    ],
)
def test_what_became_of_it_is_said_and_written_down(
    found: Path, capsys: pytest.CaptureFixture[str], typed: str, outcome: str, closed_as: str
) -> None:
    proposal = proposal_in(found)
    check(found, proposal, typed)
    shown = capsys.readouterr().out
    assert f"RESULT x outcome={outcome} |" in shown
    assert "PROPOSAL" not in shown
    now, by = state(found, proposal)
    assert now == closed_as
    assert by != read_proposal(proposal).session


def test_fewer_readings_than_the_first_time(
    found: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    check(found, proposal_in(found), "x:100")
    readings = [line for line in capsys.readouterr().out.splitlines() if "READING x." in line]
    # The zero twice, four on the ladder, four for the scale.
    assert len(readings) == 10


def test_the_command_checks_what_the_simulated_person_typed(
    found: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    at = ["--home", str(found), "rehearse", "--hands-off", "--fault", "pulley-teeth"]
    assert run([*at, "--check", str(proposal_in(found))]) == 0
    assert "RESULT x outcome=confirmed |" in capsys.readouterr().out


def test_a_check_says_what_the_card_says_and_what_was_to_be_typed(
    found: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    check(found, proposal_in(found), "x:100")
    shown = capsys.readouterr().out
    assert "stored today" not in shown
    assert (
        "NOTE x.stored | the card says 80 steps per mm, the proposal said to type 100\n"
        "NOTE rehearsal | on the simulated machine, 100 steps per mm was typed in for X by the "
        "simulated person\n"
    ) in shown


def test_a_card_that_was_brought_up_to_date_says_the_same_as_the_proposal() -> None:
    text = CARD_TEXT.replace("steps_per_mm = 80.0", "steps_per_mm = 100.0")
    change = Change("p-1", "x", Promise(0.8, 0.001, 1.25, exact=True), 100.0)
    person = Hand()
    person.play(plan(parse_card(text, "card"), dialect(), change, False))
    (said,) = person.of(Say, "x.stored")
    assert said.says == "the card says 100 steps per mm, which is what the proposal said to type"


@pytest.mark.parametrize("typed", ["x:100", "x:80", "y:100"])
def test_its_steps_count_up_to_the_last(
    found: Path, capsys: pytest.CaptureFixture[str], typed: str
) -> None:
    check(found, proposal_in(found), typed)
    shown = re.findall(r"^STEP \S+ step=(\d+) of=(\d+)", capsys.readouterr().out, re.MULTILINE)
    steps = [int(step) for step, _ in shown]
    assert steps == sorted({*steps})
    assert steps[-1] == int(shown[-1][1])


def test_an_interrupted_check_goes_on(found: Path, capsys: pytest.CaptureFixture[str]) -> None:
    class LosesPatience(Hands):
        def answer(self, question: Question) -> str:
            return "stop" if question.line.key == "x.far.1" else super().answer(question)

    proposal = proposal_in(found)
    card = parse_card(card_text(), "card")
    url = "rehearse://bench-mule?seed=3&fault=pulley-teeth&axis=x&typed=x:100"
    setup, port = simulated(found, card, dialect_of(card, None), ("x",), url)
    setup = replace(setup, change=change_of(read_proposal(proposal), proposal, card, None))
    assert run_rehearsal(setup, LosesPatience(port.machine, 3), None) == 3
    assert "outcome=" not in capsys.readouterr().out
    status = resume(home=found, session="last", url=None, plain=True, hands_off=True)
    assert status == 0
    assert "RESULT x outcome=confirmed |" in capsys.readouterr().out
    assert state(found, proposal)[0] == "confirmed"


def test_a_proposal_of_another_machine_or_axis_is_refused(found: Path) -> None:
    proposal = proposal_in(found)
    other = parse_card(card_text("pack-mule"), "card")
    with pytest.raises(UsedWrongly, match="the card is of Pack mule"):
        change_of(read_proposal(proposal), proposal, other, None)
    card = parse_card(card_text(), "card")
    with pytest.raises(UsedWrongly, match="leave --axis out"):
        change_of(read_proposal(proposal), proposal, card, ["y"])
    assert isinstance(change_of(read_proposal(proposal), proposal, card, ["x"]), Change)


def test_nothing_is_checked_where_nothing_was_proposed(tmp_path: Path) -> None:
    at = ["--home", str(tmp_path), "rehearse", "--hands-off", "--axis", "y"]
    assert run([*at, "--quick"]) == 0
    (kept,) = (tmp_path / "proposals").glob("*-y.toml")
    with pytest.raises(InputFault, match="verdict is keep"):
        run([*at, "--check", str(kept)])


def test_quick_takes_four_readings_and_asks_for_no_look(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    at = ["--home", str(tmp_path), "rehearse", "--hands-off", "--axis", "x", "--quick"]
    assert run(at) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len([line for line in lines if line.startswith("READING x.")]) == 10
    assert not [line for line in lines if ".look." in line]
    assert [line for line in lines if line.startswith("RESULT x verdict=change")]
