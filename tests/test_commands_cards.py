"""A card by its name: here, else among the cards of the home, else which cards there are."""

from __future__ import annotations

from pathlib import Path

import pytest

from tuner import cli
from tuner.card.read import parse_card
from tuner.card.waiting import behind_mark
from tuner.commands.cards import check_axes, found_card
from tuner.errors import BadFile, UsedWrongly
from tuner.rehearsal.faults import card_text


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    cards = tmp_path / "home" / "cards"
    cards.mkdir(parents=True)
    for name in ("mule", "other"):
        (cards / f"{name}.toml").write_text(card_text("bench-mule"), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path / "home"


def test_a_file_that_is_here_comes_first(home: Path) -> None:
    assert found_card(Path("mule.toml"), home) == home / "cards" / "mule.toml"
    assert found_card(Path("mule"), home) == home / "cards" / "mule.toml"
    Path("mule.toml").write_text("mine", encoding="utf-8")
    assert found_card(Path("mule.toml"), home) == Path("mule.toml")


@pytest.mark.parametrize("name", ["none.toml", "deeper/mule.toml", "../mule.toml", "a\x00b"])
def test_what_is_nowhere_is_answered_with_what_there_is(home: Path, name: str) -> None:
    with pytest.raises(BadFile, match=r"no such file.* there are: mule\.toml, other\.toml"):
        found_card(Path(name), home)


def test_without_any_card_it_says_how_to_get_one(tmp_path: Path) -> None:
    with pytest.raises(BadFile, match="tuner card new makes one"):
        found_card(Path("mule.toml"), tmp_path)


@pytest.mark.parametrize(
    "arguments",
    [
        ["card", "check", "mule.toml"],
        ["card", "check", "mule.toml", "--json"],
        ["travel", "--card", "mule"],
        ["offset", "1.6", "--card", "mule.toml", "--axis", "x"],
        ["convert", "--card", "mule.toml", "--axis", "x", "--microsteps", "32"],
    ],
)
def test_every_command_that_takes_a_card_looks_there(
    home: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["--home", str(home), *arguments]) == 0
    assert capsys.readouterr().out


@pytest.mark.parametrize(
    "arguments",
    [["card", "new", "--from", "none"], ["tune", "none", "--port", "p"], ["intake", "none"]],
)
def test_and_so_do_those_that_ask(home: Path, arguments: list[str]) -> None:
    with pytest.raises(BadFile, match=r"there are: mule\.toml, other\.toml"):
        cli.run(["--home", str(home), *arguments])


def test_an_axis_that_waits_is_said_to_wait() -> None:
    waits = behind_mark(["[axes.u]", "stored = { steps_per_mm = ? }"])
    card = parse_card("\n".join([card_text("bench-mule"), *waits]), "card")
    check_axes(card, card.axes)
    with pytest.raises(UsedWrongly, match=r"axis u waits for its stored number.*--from CARD"):
        check_axes(card, ["x", "u"])
    with pytest.raises(UsedWrongly, match="has no axis v; it has x"):
        check_axes(card, ["v"])
