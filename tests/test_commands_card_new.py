"""``tuner card new`` from the first question to the file: going back, stopping, not overwriting."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import pytest
from card_answers import GEARED, ONE_AXIS
from prompt_toolkit.data_structures import Size
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output.vt100 import Vt100_Output

from tuner.card.check import warnings
from tuner.card.read import read_card
from tuner.commands import card_new as command
from tuner.commands.card_new import Interview, card_new
from tuner.console.screen import Screen
from tuner.errors import BadFile, Defect, Stopped, UsedWrongly
from tuner.messages import Choose, Go, Line, Observe, Plan, Question, Say, Text
from tuner.plans.card_setup import card_setup

PATIENCE_S = 10.0  # only ever waited for when a test fails
_MOST_ASKED = 300


class Typist:
    """Answers each question by its key, Enter where it knows none; ``then`` goes before, in order.

    `then` maps how many questions were asked so far to something typed out of turn.
    """

    def __init__(
        self, answers: Mapping[str, str], then: Mapping[int, str | Sequence[str]] | None = None
    ) -> None:
        self._answers = answers
        self._then = {n: [w] if isinstance(w, str) else list(w) for n, w in (then or {}).items()}
        self.asked: list[str] = []
        self.told: list[Line] = []

    def tell(self, line: Line) -> None:
        self.told.append(line)

    def discard_pending(self) -> None:
        raise AssertionError("nothing moves here")

    def ask(self, question: Question) -> str:
        assert not isinstance(question.accepts, Go)
        assert question.accepts.may_undo or question.line.key in ("machine.name", "draft")
        assert len(self.asked) < _MOST_ASKED, self.said("refused")
        self.asked.append(question.line.key)
        waiting = self._then.get(len(self.asked))
        if waiting:
            word = waiting.pop(0)
            if word == "stop":
                raise Stopped("stopped at your word")
            return word
        return self._answers.get(question.line.key, "")

    def serve(self, work: object, stop: object) -> int:
        assert callable(work)
        return int(work())

    def said(self, key: str) -> list[str]:
        return [line.says for line in self.told if line.key == key]


def text_of(typist: Typist) -> str:
    description = Interview(typist).run(lambda: card_setup({}))
    assert description is not None
    return str(description.text)


@pytest.fixture
def at(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[Typist]]:
    """Put the first typist of the list in the place of the console."""
    waiting: list[Typist] = []
    monkeypatch.setattr(command, "console_for", lambda _plain: waiting[0])
    yield waiting


def new(home: Path, target: Path | None = None, start_from: Path | None = None) -> int:
    return card_new(home=home, target=target, start_from=start_from, plain=True)


# --- the interview ------------------------------------------------------------------------


def test_going_back_from_any_question_comes_to_the_same_card() -> None:
    straight = Typist(GEARED)
    text = text_of(straight)
    assert len(straight.asked) > 40
    for n in range(2, len(straight.asked) + 1):
        typist = Typist(GEARED, {n: "back"})
        assert text_of(typist) == text
        assert typist.asked == [
            *straight.asked[:n], straight.asked[n - 2], *straight.asked[n - 1 :],
        ]  # fmt: skip


def test_going_all_the_way_back() -> None:
    n = 20
    straight, typist = Typist(GEARED), Typist(GEARED, {n + k: "undo" for k in range(n - 1)})
    assert text_of(typist) == text_of(straight)
    assert typist.asked == [
        *straight.asked[:n], *reversed(straight.asked[: n - 1]), *straight.asked[1:],
    ]  # fmt: skip


def test_what_is_answered_anew_counts() -> None:
    # 3 is the first question after axes; the name and the axes are given again.
    typist = Typist({**ONE_AXIS, "machine.name": "Second"}, {1: "First", 3: "back", 4: "back"})
    assert 'name = "Second"' in text_of(typist)


def test_before_the_first_question_there_is_none() -> None:
    typist = Typist(ONE_AXIS, {1: "back", 2: "undo"})
    text_of(typist)
    assert typist.asked[:4] == ["machine.name"] * 3 + ["machine.axes"]
    assert typist.said("refused") == ["this is the first question; answer it, or type stop"] * 2
    assert len(typist.said("welcome")) == 1


def test_back_is_offered_only_where_there_is_a_question_before() -> None:
    offered: list[bool] = []

    class Offered(Typist):
        def ask(self, question: Question) -> str:
            offered.append(getattr(question.accepts, "may_undo", True))
            return super().ask(question)

    text_of(Offered(ONE_AXIS, {2: "back"}))
    assert offered[:4] == [False, True, False, True]
    assert all(offered[3:])


def test_an_answer_that_did_not_count_is_not_gone_back_to() -> None:
    typist = Typist(ONE_AXIS, {2: "q", 3: "?", 4: "back"})
    text_of(typist)
    assert typist.asked[:6] == [
        "machine.name", "machine.axes", "machine.axes", "machine.axes", "machine.name",
        "machine.axes",
    ]  # fmt: skip
    assert len(typist.said("refused")) == 2


def test_what_was_said_is_not_said_again_on_the_way_back() -> None:
    typist = Typist(GEARED, {30: "back"})
    text_of(typist)
    assert len(typist.said("welcome")) == len(typist.said("power-off")) == 1
    assert len(typist.said("x.drive")) == 1


def test_a_choice_is_asked_until_it_fits() -> None:
    typist = Typist(ONE_AXIS)
    typist._then = {next_to(typist, "x.kind"): ["rope"]}
    text_of(typist)
    assert typist.asked.count("x.kind") == 2
    assert typist.said("refused") == ["type a number 1 to 4 or one of: belt, screw, rack, measured"]


def next_to(typist: Typist, key: str) -> int:
    """Return which question `key` is, with the answers of `typist`."""
    other = Typist(typist._answers)
    text_of(other)
    return other.asked.index(key) + 1


def test_a_plan_that_turns_to_a_machine_is_a_mistake_of_ours() -> None:
    def plan() -> Plan:
        yield Observe(key="greeting", what="greeting")

    with pytest.raises(Defect, match="there is none here"):
        Interview(Typist({})).run(plan)


def test_a_plan_that_only_says_ends() -> None:
    def plan() -> Plan:
        yield Say(key="hello", says="hello")
        return 7

    typist = Typist({})
    assert Interview(typist).run(plan) == 7
    assert typist.said("hello") == ["hello"]


def test_answers_so_far_stand_by_part_of_the_plan() -> None:
    def plan() -> Plan:
        for key in ("machine.name", "x.kind", "x.gears.1.driver"):
            yield Text(key=key, says=key)
        yield Choose(key="file", options=("a", "b"))
        raise Stopped("enough")

    answers = {"machine.name": "a\x1b", "x.kind": "belt", "x.gears.1.driver": "16", "file": "b"}
    interview = Interview(Typist(answers))
    with pytest.raises(Stopped):
        interview.run(plan)
    assert interview.said() == {
        "machine": "name a\\x1b", "x": "kind belt, gears.1.driver 16", "file": "b",
    }  # fmt: skip


# --- the file -----------------------------------------------------------------------------


def test_enter_writes_the_card_into_the_home_folder(tmp_path: Path, at: list[Typist]) -> None:
    at.append(Typist(GEARED))
    assert new(tmp_path) == 0
    path = tmp_path / "cards" / "workbench-two.toml"
    assert list(path.parent.iterdir()) == [path]
    assert list(read_card(path).axes) == ["x", "y", "z", "e"]
    (line,) = [line for line in at[0].told if line.key == "written"]
    assert dict(line.fields)["file"] == str(path)
    said = [line.says for line in at[0].told if line.key.startswith("next.")]
    assert [one[:2] for one in said] == ["1.", "2.", "3.", "4."]
    assert f"tuner card check {path} " in said[0]
    assert f"tuner travel --card {path} " in said[1]
    assert "tuner rehearse" in said[2]
    assert f"tuner ports, then tuner tune {path} --port PORT" in said[3]


def test_the_next_commands_name_a_card_in_the_usual_home_alone(
    tmp_path: Path, at: list[Typist], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TUNER_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    at.append(Typist(ONE_AXIS))
    assert new(tmp_path / "home") == 0
    assert at[0].said("next.check")[0].startswith("1. tuner card check slide.toml ")


def test_a_second_card_of_that_name_gets_a_number(tmp_path: Path, at: list[Typist]) -> None:
    at.append(Typist(ONE_AXIS))
    assert new(tmp_path) == new(tmp_path) == new(tmp_path) == 0
    names = sorted(one.name for one in (tmp_path / "cards").iterdir())
    assert names == ["slide-2.toml", "slide-3.toml", "slide.toml"]


def test_a_name_without_letters_for_a_file(tmp_path: Path, at: list[Typist]) -> None:
    at.append(Typist({**ONE_AXIS, "machine.name": "../日本"}))
    assert new(tmp_path) == 0
    assert read_card(tmp_path / "cards" / "machine.toml").name == "../日本"


def test_the_card_goes_where_it_was_asked_for(tmp_path: Path, at: list[Typist]) -> None:
    at.append(Typist(ONE_AXIS))
    target = tmp_path / "mine.toml"
    assert new(tmp_path / "home", target) == 0
    assert read_card(target).name == "Slide"
    assert [*(tmp_path / "home" / "cards").iterdir()] == []


@pytest.mark.parametrize("typed", ["my bench two", "my bench two.toml"])
def test_a_name_alone_goes_where_cards_are_found_by_name(
    tmp_path: Path, at: list[Typist], monkeypatch: pytest.MonkeyPatch, typed: str
) -> None:
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    monkeypatch.setenv("TUNER_HOME", str(tmp_path / "home"))
    at.append(Typist({**ONE_AXIS, "file": typed}))
    assert new(tmp_path / "home") == 0
    path = tmp_path / "home" / "cards" / "my bench two.toml"
    assert read_card(path).name == "Slide"
    assert [*here.iterdir()] == []
    (written,) = [line for line in at[0].told if line.key == "written"]
    assert dict(written.fields)["file"] == str(path)
    assert at[0].said("next.tune")[0].endswith("tuner tune 'my bench two.toml' --port PORT")


@pytest.mark.parametrize("typed", ["./mine", "./mine.toml"])
def test_a_path_goes_where_it_says_and_is_told_whole(
    tmp_path: Path, at: list[Typist], monkeypatch: pytest.MonkeyPatch, typed: str
) -> None:
    monkeypatch.chdir(tmp_path)
    at.append(Typist({**ONE_AXIS, "file": typed}))
    assert new(tmp_path / "home") == 0
    path = tmp_path / "mine.toml"
    assert read_card(path).name == "Slide"
    assert at[0].said("written")[0].startswith(f"Written to {path}, ")
    assert at[0].said("next.check")[0].startswith(f"1. tuner card check {path} ")


def test_a_target_without_its_ending_gets_it(
    tmp_path: Path, at: list[Typist], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    at.append(Typist(ONE_AXIS))
    assert new(tmp_path / "home", Path("bench")) == 0
    assert read_card(tmp_path / "bench.toml").name == "Slide"
    assert at[0].said("written")[0].startswith(f"Written to {tmp_path / 'bench.toml'}, ")
    with pytest.raises(UsedWrongly, match=r"bench\.toml is there already"):
        new(tmp_path / "home", Path("bench"))


@pytest.mark.parametrize("taken", ["file", "folder"])
def test_a_target_that_is_there_is_refused_before_the_first_question(
    tmp_path: Path, at: list[Typist], taken: str
) -> None:
    at.append(Typist(ONE_AXIS))
    target = tmp_path / "mine.toml"
    target.write_text("mine") if taken == "file" else target.mkdir()
    with pytest.raises(UsedWrongly, match=r"mine\.toml is"):
        new(tmp_path, target)
    assert at[0].asked == []
    assert taken == "folder" or target.read_text() == "mine"


def test_a_target_without_a_folder_is_refused_before_the_first_question(
    tmp_path: Path, at: list[Typist]
) -> None:
    at.append(Typist(ONE_AXIS))
    with pytest.raises(UsedWrongly, match="there is no folder"):
        new(tmp_path, tmp_path / "missing" / "card.toml")
    assert at[0].asked == []


def test_a_target_that_no_file_can_have_is_refused_before_the_first_question(
    tmp_path: Path, at: list[Typist]
) -> None:
    at.append(Typist(ONE_AXIS))
    with pytest.raises(UsedWrongly, match=r"cannot be written .* name another file"):
        new(tmp_path, tmp_path / ("a" * 300))
    assert at[0].asked == []


def test_a_file_that_is_there_is_never_overwritten(tmp_path: Path, at: list[Typist]) -> None:
    taken = tmp_path / "taken.toml"
    taken.write_text("mine")
    missing = tmp_path / "missing" / "card.toml"
    right = tmp_path / "right.toml"
    typist = Typist(ONE_AXIS)
    first = next_to(typist, "x.stored") + 1
    words = [str(taken), str(tmp_path), str(missing), "nul\x00.toml", "a" * 300, str(right)]
    typist._then = {first + n: [word] for n, word in enumerate(words)}
    at.append(typist)
    assert new(tmp_path) == 0
    assert taken.read_text() == "mine"
    assert not missing.parent.exists()
    assert read_card(right).name == "Slide"
    refusals = typist.said("refused")
    assert len(refusals) == 5
    assert "is there already and stays as it is; name another file" in refusals[0]
    assert "is a folder; name a file in it" in refusals[1]
    assert "cannot be written" in refusals[2]
    assert "cannot be written" in refusals[4]
    assert all(one.isprintable() for one in refusals)


def test_a_file_that_appears_at_the_last_moment_stays(
    tmp_path: Path, at: list[Typist], monkeypatch: pytest.MonkeyPatch
) -> None:
    def too_late(path: Path, content: bytes) -> bool:
        if path.name == "slide.toml":
            path.write_text("theirs")
            return False
        path.write_bytes(content)
        return True

    monkeypatch.setattr(command, "write_new", too_late)
    typist = Typist(ONE_AXIS)
    typist._then = {next_to(typist, "x.stored") + 2: [str(tmp_path / "other.toml")]}
    at.append(typist)
    assert new(tmp_path) == 0
    assert (tmp_path / "cards" / "slide.toml").read_text() == "theirs"
    assert read_card(tmp_path / "other.toml").name == "Slide"


def test_back_leads_from_the_file_name_into_the_card(tmp_path: Path, at: list[Typist]) -> None:
    typist = Typist(ONE_AXIS)
    last = next_to(typist, "x.stored") + 1
    typist._then = {last: ["back"], last + 1: ["160"]}
    at.append(typist)
    assert new(tmp_path) == 0
    assert read_card(tmp_path / "cards" / "slide.toml").axes["x"].stored.value == 160


@pytest.mark.parametrize("n", [2, 12, 20])
def test_stop_leaves_no_card_and_says_what_was_answered(
    tmp_path: Path, at: list[Typist], n: int
) -> None:
    at.append(Typist(GEARED, {n: "stop"}))
    assert new(tmp_path / "home") == 3
    folder = tmp_path / "home" / "cards"
    assert [one.name for one in folder.iterdir()] == ["unfinished.json"]
    told = at[0].told
    assert told[-1].key == "not-written"
    assert told[-1].says.startswith(
        f"No card was written. Your answers are kept in {folder / 'unfinished.json'}: tuner card "
        "new goes on from them"
    )
    assert "name Workbench two" in at[0].said("answered.machine")[0]
    if n == 20:
        assert at[0].said("answered.x")[0].startswith("x: kind belt, pitch_mm 20.0/10")
    assert all(len(line.plain()) < 400 for line in told)


def test_a_stop_before_the_first_answer_leaves_nothing(tmp_path: Path, at: list[Typist]) -> None:
    at.append(Typist(GEARED, {1: "stop"}))
    assert new(tmp_path / "home") == 3
    assert not (tmp_path / "home").exists()
    assert at[0].told[-1].says == "No card was written, and nothing was changed"


def test_an_axis_that_waits_for_its_number_comes_along_with_from(
    tmp_path: Path, at: list[Typist]
) -> None:
    at.append(Typist({**GEARED, "z.stored": "unknown"}))
    assert new(tmp_path) == 0
    first = tmp_path / "cards" / "workbench-two.toml"
    assert [one.name for one in first.parent.iterdir()] == [first.name]
    assert "5. Z: ask the controller" in at[0].said("next.waiting")[0]
    assert f"tuner card new --from {first} " in at[0].said("next.waiting")[0]
    at[0] = Typist({"z.stored": "2000"})
    assert new(tmp_path, start_from=first) == 0
    assert first.with_name("workbench-two-2.toml").read_text() == text_of(Typist(GEARED))


def test_what_was_taken_for_granted_stays_so_with_from(tmp_path: Path, at: list[Typist]) -> None:
    unknown = (
        "x.pitch_mm", "x.pulley_teeth", "x.gears",
        "z.pitch_mm", "z.starts", "z.angle", "z.microsteps",
    )  # fmt: skip
    at.append(Typist({**GEARED, **dict.fromkeys(unknown, "unknown")}))
    assert new(tmp_path) == 0
    first = tmp_path / "cards" / "workbench-two.toml"
    at[0] = Typist({})
    assert new(tmp_path, start_from=first) == 0
    assert first.with_name("workbench-two-2.toml").read_text() == first.read_text()
    said = [one for one in warnings(read_card(first)) if "not known" in one]
    # Y is like X.
    assert [one[5] for one in said] == ["x"] * 3 + ["y"] * 3 + ["z"] * 4


def test_what_is_wrong_with_an_axis_that_waits_is_said(tmp_path: Path, at: list[Typist]) -> None:
    at.append(Typist({**GEARED, "z.stored": "unknown"}))
    assert new(tmp_path) == 0
    card = tmp_path / "cards" / "workbench-two.toml"
    card.write_text(card.read_text().replace("#| range_mm = [0.0, 180.0]", '#| range_mm = "far"'))
    at[0] = Typist({})
    with pytest.raises(BadFile, match=r"axes\.z\.range_mm"):
        new(tmp_path, start_from=card)
    assert at[0].asked == []


def test_without_a_stored_number_there_is_no_card(tmp_path: Path, at: list[Typist]) -> None:
    at.append(Typist({**ONE_AXIS, "x.stored": "unknown"}))
    assert new(tmp_path / "home") == 1
    assert [one.name for one in (tmp_path / "home" / "cards").iterdir()] == ["unfinished.json"]


# --- a draft ------------------------------------------------------------------------------


def stopped(home: Path, at: list[Typist], answers: Mapping[str, str], n: int) -> Path:
    at[:] = [Typist(answers, {n: "stop"})]
    assert new(home) == 3
    return home / "cards" / "unfinished.json"


def test_after_a_stop_enter_goes_through_the_answers(tmp_path: Path, at: list[Typist]) -> None:
    straight = Typist(GEARED)
    text = text_of(straight)
    draft = stopped(tmp_path, at, GEARED, 30)
    later = {key: GEARED[key] for key in straight.asked[29:] if key in GEARED}
    at[:] = [Typist(later)]
    assert new(tmp_path) == 0
    assert at[0].asked[:2] == ["draft", "machine.name"]
    assert (tmp_path / "cards" / "workbench-two.toml").read_text() == text
    assert not draft.exists()


@pytest.mark.parametrize("n", [3, 40])
def test_a_draft_that_is_stopped_again_keeps_all_of_it(
    tmp_path: Path, at: list[Typist], n: int
) -> None:
    straight = Typist(GEARED)
    text = text_of(straight)
    draft = stopped(tmp_path, at, GEARED, 30)
    later = {key: GEARED[key] for key in straight.asked[29:] if key in GEARED}
    assert stopped(tmp_path, at, later, n) == draft
    at[:] = [Typist(later)]
    assert new(tmp_path) == 0
    assert (tmp_path / "cards" / "workbench-two.toml").read_text() == text


def test_to_begin_anew_leaves_the_draft_and_a_second_one_stands_beside_it(
    tmp_path: Path, at: list[Typist]
) -> None:
    draft = stopped(tmp_path, at, GEARED, 12)
    before = draft.read_bytes()
    stopped(tmp_path, at, {**ONE_AXIS, "draft": "begin-anew"}, 6)
    assert draft.read_bytes() == before
    at[:] = [Typist({**ONE_AXIS, "draft": "begin-anew"})]
    assert new(tmp_path) == 0
    names = sorted(one.name for one in (tmp_path / "cards").iterdir())
    assert names == ["slide.toml", "unfinished-2.json", "unfinished.json"]
    assert 'name = "Slide"' in (tmp_path / "cards" / "slide.toml").read_text()


def test_a_draft_goes_on_with_its_target_and_its_earlier_card(
    tmp_path: Path, at: list[Typist]
) -> None:
    at.append(Typist(GEARED))
    assert new(tmp_path) == 0
    first = tmp_path / "cards" / "workbench-two.toml"
    mine = tmp_path / "mine.toml"
    at[:] = [Typist({}, {9: "stop"})]
    assert new(tmp_path, mine, first) == 3
    at[:] = [Typist({})]
    assert new(tmp_path) == 0
    assert mine.read_text() == first.read_text()


def test_a_draft_goes_on_without_an_earlier_card_that_is_gone(
    tmp_path: Path, at: list[Typist]
) -> None:
    at.append(Typist(ONE_AXIS))
    assert new(tmp_path) == 0
    first = tmp_path / "cards" / "slide.toml"
    at[:] = [Typist({}, {9: "stop"})]
    assert new(tmp_path, start_from=first) == 3
    first.unlink()
    at[:] = [Typist(ONE_AXIS)]
    assert new(tmp_path) == 0
    assert "slide.toml" in at[0].said("start-from")[0]


@pytest.mark.parametrize(
    "content", ["", "[]", "nonsense", '{"schema": 2}', '{"schema": 1, "answers": [1]}', "[" * 9999]
)
def test_what_is_no_draft_is_left_alone(tmp_path: Path, at: list[Typist], content: str) -> None:
    draft = tmp_path / "cards" / "unfinished.json"
    draft.parent.mkdir()
    draft.write_text(content)
    stopped(tmp_path, at, ONE_AXIS, 5)
    assert at[0].asked[0] == "machine.name"
    assert draft.read_text() == content


def test_answers_that_cannot_be_kept_are_shown(tmp_path: Path, at: list[Typist]) -> None:
    (tmp_path / "cards").write_text("a file where the folder would be")
    at.append(Typist(ONE_AXIS, {5: "stop"}))
    assert new(tmp_path) == 3
    assert "could not be written either" in at[0].told[-1].says
    assert at[0].said("answered.machine")


@pytest.mark.parametrize("answered", [1, 2, 17, 30])
def test_a_kill_loses_no_answer(tmp_path: Path, at: list[Typist], answered: int) -> None:
    straight = Typist(GEARED)
    text = text_of(straight)
    with subprocess.Popen(
        [sys.executable, "-m", "tuner", "--home", str(tmp_path), "card", "new", "--plain"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="utf-8",
    ) as process:  # fmt: skip
        assert process.stdin is not None and process.stdout is not None
        asked: list[str] = []
        for line in process.stdout:
            if not is_question(line):
                continue
            asked.append(line.split()[1])
            if len(asked) > answered:
                process.kill()
                break
            process.stdin.write(f"{GEARED.get(asked[-1], '')}\n")
            process.stdin.flush()
    assert asked == straight.asked[: answered + 1]
    later = {key: GEARED[key] for key in straight.asked[answered:] if key in GEARED}
    at.append(Typist(later))
    assert new(tmp_path) == 0
    assert at[0].asked[0] == "draft"
    card = tmp_path / "cards" / "workbench-two.toml"
    assert card.read_text() == text
    assert [*card.parent.iterdir()] == [card]


def is_question(line: str) -> bool:
    return line.startswith(("TEXT ", "CHOICE "))


def test_a_refused_answer_is_not_kept(tmp_path: Path, at: list[Typist]) -> None:
    kept: list[str] = []

    class Looking(Typist):
        def ask(self, question: Question) -> str:
            for draft in (tmp_path / "cards").glob("*.json"):
                kept.append(draft.read_text())
            return super().ask(question)

    at.append(Looking(ONE_AXIS, {2: "qqq"}))
    assert new(tmp_path) == 0
    assert at[0].said("refused")
    assert len(kept) == len(at[0].asked) - 1
    assert not any("qqq" in one for one in kept)


# --- going back ---------------------------------------------------------------------------


class Seeing(Typist):
    """A typist who notes what Enter would take, and the section on the screen, at each question."""

    def __init__(self, answers: Mapping[str, str], then: Mapping[int, str | Sequence[str]]) -> None:
        super().__init__(answers, then)
        self.defaults: list[str] = []
        self.sections: list[str] = []

    def ask(self, question: Question) -> str:
        assert not isinstance(question.accepts, Go)
        self.defaults.append(getattr(question.accepts, "default", ""))
        self.sections.append(next((one.says for one in self.told[::-1] if one.tag == "STEP"), ""))
        return super().ask(question)


def test_back_offers_the_former_answer_and_shows_its_section() -> None:
    straight = Typist(GEARED)
    text_of(straight)
    first = straight.asked.index("caliper.range") + 1
    typist = Seeing(GEARED, {first: "back"})
    text_of(typist)
    assert typist.asked[first - 2 : first + 1] == [
        "machine.several", "caliper.range", "machine.several",
    ]  # fmt: skip
    assert typist.sections[first - 2 : first + 2] == [
        "The machine", "The caliper", "The machine", "The caliper",
    ]  # fmt: skip
    assert typist.defaults[first] == "none"


def test_a_refused_answer_leaves_the_former_one_on_offer() -> None:
    straight = Typist(ONE_AXIS)
    text_of(straight)
    n = straight.asked.index("x.microsteps") + 1
    typist = Seeing(ONE_AXIS, {n: "back", n + 1: "many", n + 2: "1.7", n + 3: ""})
    text_of(typist)
    assert typist.asked[n : n + 3] == ["x.angle"] * 3
    assert typist.defaults[n : n + 3] == ["1.8"] * 3
    assert len(typist.said("refused")) == 2


def test_a_former_answer_that_is_refused_is_not_offered_again(
    tmp_path: Path, at: list[Typist]
) -> None:
    draft = stopped(tmp_path, at, ONE_AXIS, 3)
    draft.write_text(draft.read_text().replace('"answer": "x"', '"answer": "q"'))
    at[:] = [Seeing(ONE_AXIS, {3: "", 4: "x"})]
    assert new(tmp_path) == 0
    assert at[0].asked[:4] == ["draft", "machine.name", "machine.axes", "machine.axes"]
    assert isinstance(at[0], Seeing)
    assert at[0].defaults[2:4] == ["q", ""]


@pytest.mark.parametrize(
    ("typed", "form"),
    [
        ("steps/mm", "steps_per_mm"), ("steps per mm", "steps_per_mm"),
        ("Steps-per-mm", "steps_per_mm"), ("mm/step", "mm_per_step"),
        ("mm per step", "mm_per_step"), ("mm per revolution", "travel_per_rev_mm"),
        ("mm/rev", "travel_per_rev_mm"), ("mm/motor rev", "travel_per_motor_rev_mm"),
        ("mm per motor revolution", "travel_per_motor_rev_mm"),
    ],
)  # fmt: skip
def test_the_form_is_taken_as_people_say_it(typed: str, form: str) -> None:
    answers = {**ONE_AXIS, "x.stored": "40"}
    expected = text_of(Typist({**answers, "stored.form": form}))
    typist = Typist({**answers, "stored.form": typed})
    assert text_of(typist) == expected
    assert typist.said("refused") == []


@pytest.mark.parametrize("typed", ["mm", "steps", "per mm"])
def test_what_may_be_more_than_one_form_is_refused(typed: str) -> None:
    typist = Typist(ONE_AXIS)
    typist._then = {next_to(typist, "stored.form"): [typed]}
    text_of(typist)
    assert len(typist.said("refused")) == 1


@pytest.mark.parametrize("typed", ["x axis", "X-axis", "axis X"])
def test_an_axis_like_another_is_named_as_people_say_it(typed: str) -> None:
    assert text_of(Typist({**GEARED, "y.same-as": typed})) == text_of(Typist(GEARED))


def test_what_was_said_of_another_part_is_not_offered() -> None:
    # x.pitch_mm of a belt, then of a screw
    straight = Typist(ONE_AXIS)
    text_of(straight)
    n = straight.asked.index("x.pulley_teeth") + 1
    typist = Seeing({**ONE_AXIS, "x.starts": "1"}, {n: "back", n + 1: "back", n + 2: "screw"})
    text_of(typist)
    assert typist.asked[n - 2 : n + 3] == [
        "x.pitch_mm", "x.pulley_teeth", "x.pitch_mm", "x.kind", "x.pitch_mm",
    ]  # fmt: skip
    assert typist.defaults[n : n + 3] == ["2", "belt", ""]


# --- from an earlier card -----------------------------------------------------------------


def test_enter_all_the_way_makes_a_card_with_the_same_values(
    tmp_path: Path, at: list[Typist]
) -> None:
    at.append(Typist(GEARED))
    assert new(tmp_path) == 0
    first = tmp_path / "cards" / "workbench-two.toml"
    first.write_text("\ufeff" + first.read_text(), encoding="utf-8")
    at[0] = Typist({})
    assert new(tmp_path, start_from=first) == 0
    second = first.with_name("workbench-two-2.toml")
    assert "\ufeff" + second.read_text() == first.read_text(encoding="utf-8")


def test_an_earlier_card_that_is_wrong_says_so(tmp_path: Path, at: list[Typist]) -> None:
    at.append(Typist({}))
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("schema = 1\n")
    with pytest.raises(BadFile):
        new(tmp_path, start_from=wrong)
    assert at[0].asked == []


def test_a_dialect_file_that_is_not_beside_the_new_card_is_warned_of(
    tmp_path: Path, at: list[Typist]
) -> None:
    at.append(Typist(ONE_AXIS))
    assert new(tmp_path) == 0
    card = tmp_path / "cards" / "slide.toml"
    card.write_text(card.read_text().replace('dialect = "printer"', 'dialect = "mine.toml"'))
    at[0] = Typist({})
    assert new(tmp_path, tmp_path / "other.toml", card) == 0
    assert read_card(tmp_path / "other.toml").dialect == "mine.toml"
    assert at[0].said("dialect")[0].startswith("warning: ")


# --- both consoles ------------------------------------------------------------------------


def test_in_plain_lines_through_a_pipe(tmp_path: Path) -> None:
    straight = Typist(GEARED)
    text = text_of(straight)
    typed = "\n".join([*(GEARED.get(key, "") for key in straight.asked), "", ""])
    ended = subprocess.run(
        [sys.executable, "-m", "tuner", "--home", str(tmp_path), "card", "new", "--plain"],
        input=typed, capture_output=True, text=True, timeout=60, check=False, cwd=tmp_path,
        env={**os.environ, "PYTHONUTF8": "1"},
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr
    assert ended.stderr == ""
    lines = ended.stdout.splitlines()
    assert lines[-1] == "END exit=0"
    assert all(len(line) <= 400 and not line.endswith("…") for line in lines)
    assert (tmp_path / "cards" / "workbench-two.toml").read_text() == text


def test_the_end_of_input_is_a_stop(tmp_path: Path) -> None:
    ended = subprocess.run(
        [sys.executable, "-m", "tuner", "--home", str(tmp_path / "home"), "card", "new"],
        input="Bench\nx\n", capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert ended.returncode == 3
    assert ended.stdout.splitlines()[-1] == "END exit=3"
    assert [one.suffix for one in (tmp_path / "home" / "cards").iterdir()] == [".json"]


class Drawn(io.StringIO):
    """What the screen drew, and a way to wait until something new is there."""

    encoding = "utf-8"

    def __init__(self) -> None:
        super().__init__()
        self._written = threading.Condition()

    def write(self, text: str) -> int:
        with self._written:
            count = super().write(text)
            self._written.notify_all()
            return count

    def wait_for(self, text: str, times: int) -> None:
        with self._written:
            if not self._written.wait_for(lambda: self.getvalue().count(text) >= times, PATIENCE_S):
                raise AssertionError(f"{text!r} did not appear:\n{self.getvalue()[-2000:]!r}")


def test_at_the_screen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = Drawn()
    typed = [
        ("call this machine?", "Slide"),
        ("Which axes has it?", "y"),
        ("The controller:", "back"),
        ("Which axes has it?", "x"),
        ("The controller:", ""),
        ("baud rate", ""),
        ("go up and down", ""),
        ("bed or table move", ""),
        ("several motors", ""),
        ("does it open", ""),
        ("smallest step", ""),
        ("error limit", ""),
        ("What moves X?", "1"),
        ("pitch of the belt", "twenty"),
        ("is no length", "20.0/10"),
        ("teeth of the pulley", "20"),
        ("How many pairs", "0"),
        ("step angle", "200"),
        ("Microsteps", "16"),
        ("How far can X go", "220"),
        ("end switch", "min"),
        ("In which form", "3"),
        ("the number it holds", "80"),
        ("Where to?", ""),
    ]
    with create_pipe_input() as keys:
        output = Vt100_Output(drawn, lambda: Size(40, 200), term="xterm")
        screen = Screen(keys, output)
        monkeypatch.setattr(command, "console_for", lambda _plain: screen)
        failed: list[BaseException] = []

        def type_on() -> None:
            seen: dict[str, int] = {}
            try:
                for shown, answer in typed:
                    seen[shown] = seen.get(shown, 0) + 1
                    drawn.wait_for(shown, seen[shown])
                    keys.send_text(f"{answer}\r")
            except BaseException as error:
                failed.append(error)
                keys.send_text("\x18")

        hands = threading.Thread(target=type_on)
        hands.start()
        status = new(tmp_path)
        hands.join()
    assert failed == []
    assert status == 0
    card = read_card(tmp_path / "cards" / "slide.toml")
    assert list(card.axes) == ["x"]
    assert card.axes["x"].stored.value == 80
