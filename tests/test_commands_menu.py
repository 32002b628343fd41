"""``tuner`` alone and ``tuner why``: the questions, and the command lines they come to."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from counter import intake
from fakes import SetClock
from test_commands_log import head

from tuner import cli
from tuner.commands import choosing, menu
from tuner.commands.card_new import Interview
from tuner.commands.choosing import Arguments
from tuner.commands.menu import what_to_do
from tuner.commands.rehearse import rehearse
from tuner.commands.why import delivery_reason, size_errors, why_is_it_wrong
from tuner.errors import Stopped, UsedWrongly
from tuner.messages import Choose, Go, Line, OneOf, Question
from tuner.plans.run import Part
from tuner.rehearsal.faults import FAULTS, card_text
from tuner.session.logbook import Logbook
from tuner.wire.port import PortSeen


class Answers:
    """Answers questions by their keys, Enter where it has none; keeps what was told and offered."""

    def __init__(self, answers: Mapping[str, str | list[str]]) -> None:
        self._answers = {
            key: [one] if isinstance(one, str) else list(one) for key, one in answers.items()
        }
        self.told: list[Line] = []
        self.offered: dict[str, tuple[str, ...]] = {}

    def tell(self, line: Line) -> None:
        self.told.append(line)

    def discard_pending(self) -> None:
        raise AssertionError("nothing moves here")

    def ask(self, question: Question) -> str:
        assert not isinstance(question.accepts, Go)
        key = question.line.key
        if isinstance(question.accepts, OneOf):
            self.offered[key] = question.accepts.options
        waiting = self._answers.get(key, [])
        return waiting.pop(0) if waiting else ""

    def said(self, key: str) -> str:
        return " ".join(line.says for line in self.told if line.key == key)


def asked(
    plan: Callable[[], Part[Arguments]], **answers: str | list[str]
) -> tuple[Arguments, Answers]:
    """Return what `plan` comes to; in the keys of `answers` ``_`` stands for a dot."""
    person = Answers(
        {key.replace("_", ".", 1).replace("_", "-"): one for key, one in answers.items()}
    )
    return Interview(person).run(plan), person


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A home with two cards and one session, and a folder without cards to work in."""
    found = tmp_path / "home"
    cards = found / "cards"
    cards.mkdir(parents=True)
    (cards / "a.toml").write_text(
        card_text("bench-mule").replace("Bench mule", "Other machine"), encoding="utf-8"
    )
    (cards / "b.toml").write_text(card_text("bench-mule"), encoding="utf-8")
    (cards / "c.toml").write_text("[something]\nelse = 1\n", encoding="utf-8")
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    seen = [PortSeen("/dev/ttyA0", "a cable", None), PortSeen("/dev/ttyA1", "another", None)]
    monkeypatch.setattr(choosing, "list_ports", lambda: seen)
    return found


def rehearsed(home: Path) -> None:
    status = rehearse(
        home=home, fault="none", machine=None, axes=["y"], seed=1, hands_off=True, plain=True
    )
    assert status == 0


def test_the_machine_and_the_port_used_last_come_first(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _, before = asked(lambda: what_to_do(home), menu_what="1", menu_card="1", menu_port="1")
    assert before.offered["menu.card"][0].startswith("Other machine: ")
    assert len(before.offered["menu.card"]) == 3  # the third file is no card
    rehearsed(home)
    monkeypatch.setattr(choosing, "is_rehearsal", lambda _: False)
    monkeypatch.setattr(choosing, "url_in_words", lambda _: "/dev/ttyA1")
    got, after = asked(lambda: what_to_do(home), menu_what="1", menu_axis="x")
    assert after.offered["menu.card"][0].startswith("Bench mule: ")
    assert after.offered["menu.port"][0] == "/dev/ttyA1 (used last)"
    assert len(after.offered["menu.port"]) == 3
    assert got == ["tune", str(home / "cards" / "b.toml"), "--port", "/dev/ttyA1", "--axis", "x"]


@pytest.mark.parametrize(
    ("seen", "offered", "default"),
    [
        (
            [("/dev/ttyS0", ""), ("/dev/ttyA0", "a cable")],
            ("/dev/ttyA0 (a cable)", "/dev/ttyS0", "another-port"),
            "/dev/ttyA0 (a cable)",
        ),
        ([("/dev/ttyS0", ""), ("/dev/ttyS1", "ttyS1")],
         ("/dev/ttyS0", "/dev/ttyS1", "another-port"), ""),
        ([], ("another-port",), ""),
    ],
)  # fmt: skip
def test_a_port_that_says_nothing_of_itself_is_not_taken_by_enter(
    home: Path,
    monkeypatch: pytest.MonkeyPatch,
    seen: list[tuple[str, str]],
    offered: tuple[str, ...],
    default: str,
) -> None:
    ports = [PortSeen(device, says, None) for device, says in seen]
    monkeypatch.setattr(choosing, "list_ports", lambda: ports)
    plan = choosing._choose_port(home, "Bench mule")
    message = next(plan)
    assert isinstance(message, Choose)
    assert (message.options, message.default) == (offered, default)


def test_a_rehearsal_is_no_port_to_offer_again(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rehearsed(home)
    _, person = asked(lambda: what_to_do(home), menu_what="1", menu_port="1")
    assert not any("last" in one or "rehearse" in one for one in person.offered["menu.port"])


@pytest.mark.parametrize(
    ("work", "becomes"),
    [
        ("", ["--axis", "x"]),
        ("quick", ["--quick", "--axis", "x"]),
        ("lost-steps", ["--test", "lost-steps", "--axis", "x"]),
        ("axis-test", ["--test", "axis-test", "--axis", "x"]),
        ("squareness", ["--test", "squareness"]),
    ],
)
def test_every_kind_of_work_at_a_machine(home: Path, work: str, becomes: list[str]) -> None:
    got, person = asked(
        lambda: what_to_do(home),
        menu_what="1",
        menu_card="2",
        menu_port="1",
        menu_work=work,
        menu_axis="x",
    )
    card = str(home / "cards" / "b.toml")
    assert got == ["tune", card, "--port", "/dev/ttyA0", *becomes]
    assert "check" not in person.offered["menu.work"]  # there is no proposal
    cli._parser().parse_args(got)


def test_a_proposal_that_was_applied_is_checked(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status = rehearse(
        home=home, fault=None, machine=None, axes=["x"], seed=1, hands_off=True, plain=True
    )
    assert status == 0
    (proposal,) = (home / "proposals").glob("*.toml")
    answers = {"menu_what": "1", "menu_port": "1", "menu_work": "check"}
    got, person = asked(lambda: what_to_do(home), **answers)
    assert person.offered["menu.proposal"] == (proposal.stem,)
    card = str(home / "cards" / "b.toml")
    assert got == ["tune", card, "--port", "/dev/ttyA0", "--check", proposal.stem]
    logbook = Logbook(home / "logbook.db")
    logbook.close_proposal(proposal.stem, "confirmed", "somebody")
    logbook.close()
    _, person = asked(lambda: what_to_do(home), menu_what="1", menu_port="1", menu_axis="x")
    assert "check" not in person.offered["menu.work"]


def test_another_file_and_another_port_are_asked_for_until_they_will_do(home: Path) -> None:
    card = home / "cards" / "a.toml"
    got, person = asked(
        lambda: what_to_do(home),
        menu_what="1",
        menu_card="another-file",
        menu_card_file=["nowhere.toml", str(card)],
        menu_port="another-port",
        menu_port_name=["", "socket://bench:23"],
    )
    assert got == ["tune", str(card), "--port", "socket://bench:23"]
    assert "nowhere.toml" in person.said("refused")


def test_without_a_card_it_says_how_to_get_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    got, person = asked(lambda: what_to_do(tmp_path / "home"), menu_what="1")
    assert got == []
    assert "tuner card new" in person.said("menu.no-card")


@pytest.mark.parametrize(
    ("answers", "arguments"),
    [
        ({"menu_what": "3"}, ["card", "new"]),
        ({"menu_what": "5"}, ["rehearse"]),
        ({"menu_what": "5", "menu_rehearsal": "3"}, ["rehearse", "--fault", "none"]),
        (
            {
                "menu_what": "5",
                "menu_rehearsal": "one-fault",
                "menu_symptom": "1",
                "menu_fault": ["no-such", "5"],
            },
            ["rehearse", "--fault", "step-angle"],
        ),
        (
            {"menu_what": "5", "menu_rehearsal": "the-pack-mule"},
            ["rehearse", "--machine", "pack-mule"],
        ),
        (
            {"menu_what": "5", "menu_rehearsal": "4", "menu_procedure": "lost-steps"},
            ["rehearse", "--test", "lost-steps", "--fault", "torque-limit"],
        ),
        (
            {"menu_what": "5", "menu_rehearsal": "4", "menu_procedure": "squareness"},
            ["rehearse", "--test", "squareness", "--fault", "skew"],
        ),
        ({"menu_what": "4"}, []),
        ({"menu_what": "write-a-handover-sheet"}, []),
    ],
)
def test_the_other_ways(
    tmp_path: Path, answers: dict[str, str | list[str]], arguments: Arguments
) -> None:
    got, _ = asked(lambda: what_to_do(tmp_path), **answers)
    assert got == arguments
    if arguments:
        cli._parser().parse_args(arguments)


def test_every_fault_stands_under_one_symptom_on_a_page_with_its_sentence(tmp_path: Path) -> None:
    placed = [name for names in menu.FAULTS_BY_SYMPTOM.values() for name in names]
    assert sorted(placed) == sorted(set(FAULTS) - {"none"})
    for symptom in menu.FAULTS_BY_SYMPTOM:
        _, person = asked(
            lambda: what_to_do(tmp_path), menu_what="5", menu_rehearsal="one-fault",
            menu_symptom=symptom, menu_fault="1",
        )  # fmt: skip
        offered = person.offered["menu.fault"]
        assert len(offered) <= 9
        assert all(FAULTS[one.partition(":")[0]].says.rstrip(".") in one for one in offered)
    assert "(Pack mule)" in offered[0]


def test_history_and_an_open_session(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rehearsed(home)
    got, person = asked(lambda: what_to_do(home), menu_what="4", menu_session="2")
    assert got == ["log", person.offered["menu.session"][1]]
    assert "go-on-with-the-last-session" not in person.offered["menu.what"]


def test_a_machine_comes_in_and_goes_out(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    got, _ = asked(lambda: what_to_do(home), menu_what="take-in-a-machine", menu_card="2")
    assert got == ["intake", str(home / "cards" / "b.toml")]
    cli._parser().parse_args(got)
    rehearsed(home)
    got, person = asked(lambda: what_to_do(home), menu_what="write-a-handover-sheet")
    (offered,) = person.offered["menu.session"]
    assert offered == f"{got[1]} (Bench mule, measure)"
    with closing(Logbook(home / "logbook.db")) as logbook:
        for name in ("1", "2"):
            one = head(name, "Slide", params={"axes": ["x"], "job": "A 17"})
            logbook.begin(one, SetClock()).end("finished", {})
    got, person = asked(lambda: what_to_do(home), menu_what="write-a-handover-sheet")
    assert got == ["sheet", "A 17"]
    assert person.offered["menu.session"] == ("job A 17 (Slide)", offered)
    cli._parser().parse_args(got)


def test_the_port_of_a_machine_is_known_after_an_intake(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    rehearsed(home)
    intake(home)
    monkeypatch.setattr(choosing, "is_rehearsal", lambda _: False)
    _, person = asked(lambda: what_to_do(home), menu_what="1", menu_port="1")
    assert person.offered["menu.port"][0].startswith("rehearse://")


def test_an_answer_can_be_taken_back(home: Path) -> None:
    got, _ = asked(
        lambda: what_to_do(home), menu_what=["1", "5"], menu_card="undo", menu_rehearsal="3"
    )
    assert got == ["rehearse", "--fault", "none"]


def test_without_a_terminal_there_is_help_and_no_question(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tuner", "--home", str(tmp_path)],
        input="1\n",
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.startswith("usage: tuner")
    with pytest.raises(UsedWrongly, match="needs a terminal"):
        cli.run(["why"])


def test_what_a_conversation_comes_to_is_run_with_the_same_home(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(cli, "_is_a_person_there", lambda: True)
    monkeypatch.setattr(menu, "menu", lambda _home: ["log"])
    assert cli.run(["--home", str(home)]) == 0
    assert capsys.readouterr().out


# --- why ------------------------------------------------------------------------------------


def questions(home: Path, typed: str) -> list[str]:
    """Return which questions come when `typed` answers the first one."""
    person = Answers({"why.what": [typed, "5"], "why.another": "no"})
    keys: list[str] = []
    answer = person.ask

    def ask(question: Question) -> str:
        keys.append(question.line.key)
        if len(keys) > 2:
            raise Stopped("enough")
        return answer(question)

    person.ask = ask  # type: ignore[method-assign]
    with pytest.raises(Stopped):
        Interview(person).run(lambda: why_is_it_wrong(home))
    return keys


def sizes(
    home: Path, where: str, small: str, large: str, **more: str | list[str]
) -> tuple[Arguments, Answers]:
    answers = {
        "why.what": "1", "why.where": where, "why.axis": "1", "why.small.nominal": "20",
        "why.small.measured": small, "why.large.nominal": "100", "why.large.measured": large,
        "menu.port": "1", **more,
    }  # fmt: skip
    person = Answers(answers)
    return Interview(person).run(lambda: why_is_it_wrong(home)), person


@pytest.mark.parametrize(
    ("where", "small", "large", "leads_to", "because"),
    [
        ("one-axis", "20.3", "100.3", "prints", "by the same amount"),
        ("all-axes", "19.8", "99", "prints", "shrinks on cooling"),
        ("one-axis", "19.8", "99", "tune", "the number for the travel of X is suspected"),
        ("all-axes", "16", "80", "tune", "more than cooling plastic explains"),
        ("one-axis", "20.1", "99.3", "prints", "Never correct the first"),
        ("one-axis", "20.02", "100.03", "", "neither is more"),
    ],
)
def test_two_sizes_tell_a_ratio_from_a_constant(
    home: Path, where: str, small: str, large: str, leads_to: str, because: str
) -> None:
    got, person = sizes(home, where, small, large)
    assert because in person.said("why.reason")
    assert got[:1] == ([leads_to] if leads_to else [])
    if leads_to == "tune":
        assert got[-2:] == ["--axis", "x"]
    if leads_to == "prints":
        table = Path(got[1]).read_text(encoding="utf-8")
        assert (
            table
            == f"nominal_mm,measured_mm,side,axis\n20,{small},outside,x\n100,{large},outside,x\n"
        )
        assert cli.run(got) == 0


def test_nothing_is_done_without_a_yes(home: Path) -> None:
    got, _ = sizes(home, "one-axis", "20.3", "100.3", **{"why.go-on": "no"})
    assert got == []
    assert not (home / "sizes").exists()


def test_errors_of_two_sizes_and_their_uncertainty() -> None:
    found = size_errors([(20.0, 20.5), (100.0, 101.3)], u_mm=0.05)
    assert found.ratio == pytest.approx(0.01)
    assert found.constant_mm == pytest.approx(0.3)
    # (0.8 - 0) / 80 with two errors of 0.05; the line at 0 from points at 20 and 100
    assert found.ratio_U == pytest.approx(2 * 0.05 * 2**0.5 / 80)
    assert found.constant_U_mm == pytest.approx(2 * 0.05 * (20**2 + 100**2) ** 0.5 / 80)
    assert found.has_ratio
    assert found.has_constant


def test_errors_of_many_sizes_are_those_of_a_straight_line() -> None:
    """Against numpy's own least squares, whose covariance is that of unit errors."""
    made = [(20.0, 20.31), (40.0, 40.28), (60.0, 60.45), (100.0, 100.52)]
    nominal, measured = (np.array(column) for column in zip(*made, strict=True))
    line, unscaled = np.polyfit(nominal, measured - nominal, 1, cov="unscaled")
    found = size_errors(made, u_mm=0.05)
    assert (found.ratio, found.constant_mm) == pytest.approx(tuple(line))
    assert found.ratio_U == pytest.approx(2 * 0.05 * unscaled[0, 0] ** 0.5)
    assert found.constant_U_mm == pytest.approx(2 * 0.05 * unscaled[1, 1] ** 0.5)
    assert found.off == ()


def test_further_sizes_are_written_down_too(home: Path) -> None:
    more: dict[str, str | list[str]] = {
        "why.another": ["yes", "yes", ""],
        "why.more.nominal": ["60", "140"],
        "why.more.measured": ["60.3", "140.3"],
    }
    got, person = sizes(home, "one-axis", "20.3", "100.3", **more)
    rows = Path(got[1]).read_text(encoding="utf-8").splitlines()[1:]
    assert rows == [f"{size},{size}.3,outside,x" for size in (20, 100, 60, 140)]
    assert person.said("why.off-the-line") == ""
    assert cli.run(got) == 0


@pytest.mark.parametrize("misread", [20.0, 40.0, 60.0, 80.0])
def test_the_size_that_is_named_is_the_one_that_was_misread(misread: float) -> None:
    right = [20.0, 40.0, 60.0, 80.0]
    assert size_errors([(one, one + 0.2) for one in right]).off == ()
    assert size_errors([(one, one + 0.2 + (one == misread)) for one in right]).off == (misread,)


@pytest.mark.parametrize("misread", [10.0, 20.0, 30.0, 100.0])
def test_one_that_stands_alone_is_named_as_well(misread: float) -> None:
    sizes = [(one, one + 2.0 * (one == misread)) for one in (10.0, 20.0, 30.0, 100.0)]
    assert size_errors(sizes).off == (misread,)


def test_of_three_sizes_none_is_named(home: Path) -> None:
    more: dict[str, str | list[str]] = {
        "why.another": ["yes", ""], "why.more.nominal": "60", "why.more.measured": "61.3",
    }  # fmt: skip
    got, person = sizes(home, "one-axis", "20.3", "100.3", **more)
    assert got == []
    assert "these sizes do not lie on one line" in person.said("why.off-the-line")
    assert person.said("why.reason") == ""
    more |= {"why.another": ["yes", "yes", ""]}
    more |= {"why.more.nominal": ["60", "80"], "why.more.measured": ["62.3", "80.3"]}
    got, person = sizes(home, "one-axis", "20.3", "100.3", **more)
    assert got == []
    assert "the size of 60 mm does not lie" in person.said("why.off-the-line")


@pytest.mark.parametrize(
    ("typed", "means"),
    [
        ("shifted layers", "why.heights"),
        ("Layer shift", "why.heights"),
        ("my layers are shifted along x", "why.heights"),
        ("it leans", "why.heights"),
        ("too big", "why.where"),
        ("too small", "why.where"),
        ("wrong size", "why.where"),
        ("Wrong dimensions", "why.where"),
        ("undersized", "why.where"),
        ("under-extrusion", "why.asked"),
        ("underextruded", "why.asked"),
        ("too little plastic", "why.asked"),
        ("a CSV of readings", "why.file"),
        ("something else", "why.go-on"),
    ],
)
def test_plain_words_say_what_is_wrong(home: Path, typed: str, means: str) -> None:
    asked_next = questions(home, typed)
    assert asked_next[:2] == ["why.what", means]


@pytest.mark.parametrize("typed", ["it is ugly", "shifted and too small", "along", ""])
def test_words_that_may_mean_several_things_are_asked_about_again(home: Path, typed: str) -> None:
    assert questions(home, typed)[:2] == ["why.what", "why.what"]


def test_a_shift_leads_to_its_size(home: Path) -> None:
    person = Answers({"why.what": "2", "why.heights": "1", "why.axis": "2", "why.shift": "0.64"})
    got = Interview(person).run(lambda: why_is_it_wrong(home))
    assert got == ["offset", "0.64", "--card", str(home / "cards" / "a.toml"), "--axis", "y"]
    assert cli.run(got) == 0
    assert "event" in person.said("why.reason")


def test_a_shift_without_a_card_says_so_before_it_asks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    person = Answers({"why.what": "2", "why.heights": "1", "why.axis": "2", "why.shift": "0.64"})
    assert Interview(person).run(lambda: why_is_it_wrong(tmp_path / "home")) == []
    told = [line.key for line in person.told]
    assert told.index("why.card-first") < told.index("menu.no-card") < told.index("why.with-card")
    assert f"tuner card new --home {tmp_path / 'home'}" in person.said("why.card-first")
    assert "tuner offset 0.64 --card CARD --axis y --home" in person.said("why.with-card")


def test_a_shift_along_an_axis_that_the_card_lacks_is_no_dead_end(home: Path) -> None:
    card = home / "cards" / "a.toml"
    text = card.read_text(encoding="utf-8")
    before, _, rest = text.partition("[axes.y]")
    card.write_text(before + rest[rest.index("[axes.z]") :], encoding="utf-8")
    person = Answers({"why.what": "2", "why.heights": "1", "why.axis": "2", "why.shift": "0.64"})
    assert Interview(person).run(lambda: why_is_it_wrong(home)) == []
    assert f"tuner card new --from {card}" in person.said("why.no-such-axis")
    assert "tuner offset 0.64 --card CARD --axis y" in person.said("why.with-card")


def test_where_there_is_a_card_nothing_is_said_about_making_one(home: Path) -> None:
    person = Answers({"why.what": "2", "why.heights": "1", "why.axis": "2", "why.shift": "0.64"})
    Interview(person).run(lambda: why_is_it_wrong(home))
    assert not person.said("why.card-first")


@pytest.mark.parametrize(
    ("answers", "becomes"),
    [("2\n4\n1\n1\n1\n1\n", ["tune"]), ("2\n1\n2\n0.64\n\n\n", ["offset"])],
)
def test_in_plain_mode_what_is_led_to_goes_on_in_it(
    home: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    answers: str,
    becomes: list[str],
) -> None:
    typed = home / "answers"
    typed.write_text(answers, encoding="ascii")
    followed: list[list[str]] = []
    monkeypatch.setattr(cli, "_is_a_person_there", lambda: True)
    monkeypatch.setattr(cli, "_follow", lambda line, home: followed.append(line) or 0)
    with typed.open(encoding="ascii") as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        assert cli.run(["--home", str(home), "why", "--plain"]) == 0
    assert "CHOICE why.what options=sizes-are-wrong," in capsys.readouterr().out
    ((command, *rest),) = followed
    assert [command] == becomes
    assert rest[-1:] == (["--plain"] if command == "tune" else ["y"])


@pytest.mark.parametrize(
    ("lean", "becomes"),
    [
        ("squareness", ["--test", "squareness"]),
        ("lost-steps", ["--test", "lost-steps", "--axis", "y"]),
        ("measure", ["--axis", "y"]),
    ],
)
def test_a_print_that_leans_leads_to_what_can_tell(
    home: Path, lean: str, becomes: list[str]
) -> None:
    answers = {"why.what": "2", "why.heights": "4", "why.axis": "2", "why.lean": lean}
    person = Answers({**answers, "menu.card": "2", "menu.port": "1"})
    got = Interview(person).run(lambda: why_is_it_wrong(home))
    assert got == ["tune", str(home / "cards" / "b.toml"), "--port", "/dev/ttyA0", *becomes]
    assert "no jump" in person.said("why.reason")


def test_shifts_at_several_heights_lead_to_the_size_or_to_the_machine(home: Path) -> None:
    answers = {"why.what": "2", "why.heights": "3", "why.axis": "1", "menu.port": "1"}
    person = Answers({**answers, "why.shift-how": "test-the-machine"})
    got = Interview(person).run(lambda: why_is_it_wrong(home))
    assert got[-4:] == ["--test", "lost-steps", "--axis", "x"]
    person = Answers({**answers, "why.shift-how": "measure-the-shift", "why.shift": "0.8"})
    got = Interview(person).run(lambda: why_is_it_wrong(home))
    assert got[:2] == ["offset", "0.8"]


@pytest.mark.parametrize(
    ("ratio", "how", "because"),
    [
        (0.995, "free", "delivers what it is told"),
        (0.9, "free", "the number for the feeder"),
        (0.9, "through-the-nozzle", "can slip there"),
    ],
)
def test_what_a_short_delivery_means(ratio: float, how: str, because: str) -> None:
    assert because in delivery_reason(ratio, how)


def test_readings_lead_to_examine(home: Path) -> None:
    file = home / "readings.csv"
    file.write_text("commanded_mm,reading_mm\n0,10\n40,50\n", encoding="utf-8")
    person = Answers({"why.what": "4", "why.file": ["nothing.csv", str(file)], "why.of": "x"})
    got = Interview(person).run(lambda: why_is_it_wrong(home))
    card = str(home / "cards" / "a.toml")
    assert got == ["examine", str(file), "--card", card, "--axis", "x"]
    assert "nothing.csv" in person.said("refused")
