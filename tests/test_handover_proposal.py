"""A proposal is written once and whole, says what it knows, and holds no hostile text."""

from __future__ import annotations

import hashlib
import os
import re
import tomllib
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from fakes import CARD_TEXT, card
from hypothesis import given
from hypothesis import strategies as st
from simulated_axis import Truth, judge

from tuner import cli
from tuner.card.schema import Card
from tuner.drive.scale import Form, Stored
from tuner.errors import BenchFault
from tuner.handover.proposal import as_markdown, as_table, write_proposal
from tuner.metrology.unmeasured import without_fit

WHEN = datetime(2026, 3, 14, 10, 15, 2, tzinfo=UTC)
CARD = card()
AXIS = CARD.axes["x"]
FORMS = ("travel_per_rev_mm", "travel_per_motor_rev_mm", "steps_per_mm", "mm_per_step")
READINGS = [
    {"n": 1, "commanded_mm": 0.0, "reading_mm": 60.0, "approach": "plus", "visit": 1},
    {"n": 2, "commanded_mm": 40.0, "reading_mm": 92.01, "approach": "minus", "visit": 1},
]
CAUSE = {
    "name": "pulley-teeth", "p": 0.98, "says": "16 teeth, the card says 20",
    "check": "count the teeth", "looks": ["pulley-teeth=16"],
}  # fmt: skip
CHANGE: dict[str, Any] = {
    "n": 2,
    "scale": {"value": 0.80012, "u": 0.00014, "U": 0.00029, "k": 2.02, "dof": 44.0},
    "verdict": "change",
    "causes": [CAUSE],
    "next": "set the number by hand",
    "proposal": {
        "basis": "parts", "changes": {"drive.pulley_teeth": 16}, "travel_per_rev_mm": 32.0,
        "travel_per_motor_rev_mm": 32.0, "steps_per_mm": 100.0, "mm_per_step": 0.01,
        "found": dict(zip(FORMS, (40.0, 40.0, 80.0, 0.0125), strict=True)),
    },
}  # fmt: skip
KEEP = {**CHANGE, "verdict": "keep", "proposal": None, "causes": [], "next": "leave it"}
CANNOT_TELL = without_fit(verdict="cannot-tell", axis="x", next="look again")


def write(folder: Path, finding: dict[str, Any] = CHANGE, card_: Card = CARD) -> dict[str, Any]:
    written = write_proposal(folder, WHEN, "s-1", card_, card_.axes["x"], finding, READINGS)
    content = written.path.read_bytes()
    assert written.path == folder / f"{written.id}.toml"
    assert hashlib.sha256(content).hexdigest() == written.sha256
    assert (folder / f"{written.id}.md").is_file()
    return tomllib.loads(content.decode())


def test_a_change_as_toml(tmp_path: Path) -> None:
    table = write(tmp_path)
    expected = {
        "schema": 1, "id": "20260314-101502-test-slide-x", "session": "s-1",
        "machine": "Test slide", "axis": "x", "motor": "x",
        "card_sha256": hashlib.sha256(CARD_TEXT.encode()).hexdigest(), "verdict": "change",
        "basis": "parts", "simulated": False, "stored_form": "steps_per_mm",
        "nothing_changed": True,
        "next": "set the number by hand",
        "go_back": "type back in what was found: 80 steps per mm",
        # 20 teeth x 2 mm = 40 mm; 200 full steps x 16 = 3200 steps (common practice, no source)
        "found": dict(zip(FORMS, (40.0, 40.0, 80.0, 0.0125), strict=True)),
        "proposed": dict(zip(FORMS, (32.0, 32.0, 100.0, 0.01), strict=True)),
        "change": [{"key": "axes.x.drive.pulley_teeth", "from": 20, "to": 16}],
        "scale": {**CHANGE["scale"], "n": 2},
        "caliper": {"range_mm": 150.0, "resolution_mm": 0.01, "error_limit_mm": 0.03},
        "cause": [{key: CAUSE[key] for key in ("name", "p", "says", "check")}],
        "reading": READINGS,
    }  # fmt: skip
    assert {key: table[key] for key in expected} == expected
    assert set(table) - set(expected) == {"cautions", "upsets"}
    assert all(table["cautions"])
    assert any("After a change of this number" in caution for caution in table["cautions"])
    assert any("soft limits" in upset for upset in table["upsets"])
    assert any("end switch" in upset for upset in table["upsets"])
    assert table["upsets"][-1] == (
        "the machine card, from which the next session starts: axes.x.drive.pulley_teeth = 16, "
        "axes.x.stored.steps_per_mm = 100"
    )


def test_a_change_for_a_person(tmp_path: Path) -> None:
    write(tmp_path)
    text = (tmp_path / "20260314-101502-test-slide-x.md").read_text(encoding="utf-8")
    for part in (
        "# `Test slide`, axis X: change",
        "change the stored number of X from **80** to **100** steps per mm.",
        "Nothing was changed on the machine by this program.",
        "0.80012 ± 0.00029 (95 %, k = 2.02, 2 readings)",
        "| mm per revolution | 40 | 32 |",
        "- pulley-teeth (p 0.98): 16 teeth, the card says 20. To confirm: count the teeth",
        "To go back, type back in what was found: 80 steps per mm.",
        "unplug it before you look",
        "| 2 | 40.0000 | 92.01 | minus | 1 |",
    ):
        assert part in text


@pytest.mark.parametrize("simulated", [True, False])
def test_what_comes_from_a_rehearsal_says_so(tmp_path: Path, simulated: bool) -> None:
    written = write_proposal(tmp_path, WHEN, "s", CARD, AXIS, CHANGE, READINGS, simulated=simulated)
    assert tomllib.loads(written.path.read_text("utf-8"))["simulated"] is simulated
    page = written.path.with_suffix(".md").read_text("utf-8")
    assert ("change nothing real after it" in page) == simulated


def judged(form: Form, scale: float, looks: dict[str, str]) -> tuple[Card, dict[str, Any]]:
    """A card that stores `form`, and the finding for its axis after these looks."""
    number = {Form.STEPS_PER_MM: "80.0", Form.MM_PER_STEP: "0.0125"}.get(form, "40.0")
    text = CARD_TEXT.replace("steps_per_mm = 80.0", f"{form} = {number}")
    stored = Stored(form, Fraction(number))
    finding = judge(Truth(scale), 0, stored=stored, looks=looks)
    return card(text), finding.as_json(file=None, axis="x")


@pytest.mark.parametrize("form", [Form.TRAVEL_PER_REV_MM, Form.TRAVEL_PER_MOTOR_REV_MM])
@pytest.mark.parametrize(
    ("look", "key", "before", "after"),
    [
        ("microsteps=32", "axes.x.motor.microsteps", 16, 32),
        ("step-angle=0.9", "axes.x.motor.step_angle_deg", 1.8, 0.9),
    ],
)
def test_wrong_step_counts_leave_a_stored_travel_as_it_is(
    tmp_path: Path, form: Form, look: str, key: str, before: float, after: float
) -> None:
    """The travel per turn is right, the motor's steps beside it are not: 40 mm stay 40 mm."""
    machine, finding = judged(form, 0.5, {look: "confirmed"})
    assert finding["verdict"] == "change"
    assert finding["next"].startswith("leave the number, and set by hand the step counts")
    table = write(tmp_path, finding, machine)
    assert table["found"][form] == table["proposed"][form] == 40.0
    assert table["proposed"]["steps_per_mm"] == pytest.approx(160.0)
    assert table["change"] == [{"key": key, "from": before, "to": after}]
    assert table["go_back"] == f"set the step counts again as they were found: {key} = {before}"
    text = next(tmp_path.glob("*.md")).read_text("utf-8")
    assert (
        "Proposal: leave the stored number of X, and change what the controller holds about its "
        f"motor: {key} from {before} to **{after}**."
    ) in text
    assert "type back in what was found" not in text


def test_the_same_steps_are_a_new_number_where_one_number_holds_everything(tmp_path: Path) -> None:
    machine, finding = judged(Form.STEPS_PER_MM, 0.5, {"microsteps=32": "confirmed"})
    assert finding["next"].startswith("set the number by hand")
    table = write(tmp_path, finding, machine)
    assert table["go_back"] == "type back in what was found: 80 steps per mm"
    text = next(tmp_path.glob("*.md")).read_text("utf-8")
    assert "change the stored number of X from **80** to **160** steps per mm" in text


def test_a_number_that_was_misread_is_gone_back_to_as_the_controller_holds_it(
    tmp_path: Path,
) -> None:
    # 1.25 of what it is told, parts as on the card: the controller holds 80 x 1.25 = 100
    machine, finding = judged(Form.STEPS_PER_MM, 1.25, {"stored-number": "confirmed"})
    table = write(tmp_path, finding, machine)
    assert table["found"]["steps_per_mm"] == pytest.approx(100.0)
    assert table["proposed"]["steps_per_mm"] == pytest.approx(80.0)
    assert table["go_back"] == "type back in what was found: 100 steps per mm"


def test_what_was_found_is_exactly_what_the_card_says() -> None:
    geared = card(CARD_TEXT.replace("[axes.x]", "[axes.x]\ngears = [{ driver = 17, driven = 50 }]"))
    axis = geared.axes["x"]
    floats = {"travel_per_rev_mm": 2000 / 17, "travel_per_motor_rev_mm": 40.0}
    floats |= {"steps_per_mm": 80.0, "mm_per_step": 0.0125}
    proposal = {**CHANGE["proposal"], "found": floats}
    found = as_table("p", "s", geared, axis, {**CHANGE, "proposal": proposal}, [])["found"]
    assert found["travel_per_rev_mm"] == Fraction(2000, 17)


def test_keep(tmp_path: Path) -> None:
    table = write(tmp_path, KEEP)
    assert not any("After a change" in caution for caution in table["cautions"])
    assert table["proposed"] == table["found"]
    assert table["upsets"] == table["cause"] == []
    assert "basis" not in table
    assert "change" not in table
    text = next(tmp_path.glob("*.md")).read_text(encoding="utf-8")
    assert "Keep the stored number of X as it is." in text
    assert "- no cause is named" in text
    assert "What the change makes untrue" not in text


@pytest.mark.parametrize(
    ("verdict", "headline"),
    [
        ("cannot-tell", "What is wrong with X cannot be told yet; change nothing."),
        ("measure-again", "Measure X again before anything is changed."),
        ("repair-first", "Repair X first; its stored number cannot be judged yet."),
    ],
)
def test_no_number_is_proposed_without_a_change(
    tmp_path: Path, verdict: str, headline: str
) -> None:
    table = write(tmp_path, {**CANNOT_TELL, "verdict": verdict})
    assert not {"proposed", "change", "scale", "basis"} & set(table)
    text = next(tmp_path.glob("*.md")).read_text(encoding="utf-8")
    assert headline in text
    assert "| steps per mm | 80 | - |" in text


def test_what_a_tie_leaves_open_is_left_out(tmp_path: Path) -> None:
    open_ = {**CHANGE["proposal"], "changes": {}, "travel_per_rev_mm": None}
    table = write(tmp_path, {**CHANGE, "proposal": open_})
    assert table["change"] == []
    assert "travel_per_rev_mm" not in table["proposed"]
    text = next(tmp_path.glob("*.md")).read_text(encoding="utf-8")
    assert "| mm per revolution | 40 | - |" in text


@pytest.mark.parametrize(
    ("axis", "key", "to", "before"),
    [
        ("x", "drive.pulley_teeth", 16, 20),
        ("x", "drive.pitch_mm", 2.5, 2.0),
        ("x", "motor.microsteps", 8, 16),
        ("x", "motor.step_angle_deg", 0.9, 1.8),
        ("x", "stored.steps_per_mm", 99.5, 80.0),
        ("y", "stored.travel_per_motor_rev_mm", 39.5, 40.0),
        ("z", "drive.starts", 1, 4),
        ("x", "gears.0.driven", 50, 80),
        ("x", "nothing.there", 1, None),
    ],
)
def test_what_a_change_starts_from(axis: str, key: str, to: float, before: float | None) -> None:
    geared = card(CARD_TEXT.replace("[axes.x]", "[axes.x]\ngears = [{ driver = 16, driven = 80 }]"))
    proposal = {**CHANGE["proposal"], "changes": {key: to}}
    table = as_table("p", "s", geared, geared.axes[axis], {**CHANGE, "proposal": proposal}, [])
    (change,) = table["change"]
    assert (change["key"], change["to"]) == (f"axes.{axis}.{key}", to)
    assert change["from"] == (None if before is None else Fraction(str(before)))


def test_all_four_forms_of_a_geared_axis() -> None:
    text = CARD_TEXT.replace("[axes.x]", "[axes.x]\ngears = [{ driver = 16, driven = 80 }]")
    geared = card(text)
    found = as_table("p", "s", geared, geared.axes["x"], KEEP, [])["found"]
    # 16 driving 80 is 5:1; 3200 steps / 80 steps per mm = 40 mm per motor turn
    assert found == dict(zip(FORMS, (200, 40, 80, Fraction(1, 80)), strict=True))


# --- writing ----------------------------------------------------------------------------


def test_nothing_is_ever_written_over(tmp_path: Path) -> None:
    ids = [write(tmp_path)["id"] for _ in range(3)]
    base = "20260314-101502-test-slide-x"
    assert ids == [base, f"{base}-2", f"{base}-3"]
    assert len(list(tmp_path.iterdir())) == 6


@pytest.mark.parametrize("suffix", ["toml", "md"])
def test_not_over_a_file_of_somebody_else(tmp_path: Path, suffix: str) -> None:
    base = "20260314-101502-test-slide-x"
    taken = tmp_path / f"{base}.{suffix}"
    taken.write_text("mine")
    assert write(tmp_path)["id"] == f"{base}-2"
    assert taken.read_text() == "mine"
    assert sorted(one.name for one in tmp_path.iterdir()) == sorted(
        [taken.name, f"{base}-2.toml", f"{base}-2.md"]
    )


def fails_at(number: int, real: Callable[..., None]) -> Callable[..., None]:
    calls = iter(range(1, 99))

    def call(*arguments: Any) -> None:
        if next(calls) == number:
            raise OSError(28, "No space left on device")
        real(*arguments)

    return call


@pytest.mark.parametrize("name", ["fsync", "link"])
@pytest.mark.parametrize("number", [1, 2])
def test_nothing_half_written_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, number: int
) -> None:
    monkeypatch.setattr(os, name, fails_at(number, getattr(os, name)))
    with pytest.raises(BenchFault, match=r"No space left.*readings are in the logbook.*--home"):
        write(tmp_path / "proposals")
    assert list((tmp_path / "proposals").iterdir()) == []


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(BenchFault, match="cannot be written"):
        write(tmp_path / "file" / "proposals")


# --- hostile text -----------------------------------------------------------------------

HOSTILE = [
    "../../etc/passwd", "a\nb", 'x" = 1\n[found]', "\x1b[2J\x07", "\u202etxt",
    "<script>1</script>", "[click](http://x)", "![i](x)", "`code`",
    "| a | b |", "**bold**", "# head", "\\", "日本",
    "", " ", "con", "a" * 300, "~~s~~", "$x$", "&lt;",
]  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE, ids=ascii)
def test_hostile_text_is_inert(tmp_path: Path, text: str) -> None:
    cause = {**CAUSE, "name": text, "says": text, "check": text}
    finding = {**CHANGE, "next": text, "causes": [cause]}
    named = replace(CARD, name=text)
    plain = write(tmp_path / "plain")
    table = write(tmp_path, finding, named)
    assert set(table) == set(plain)
    assert table["proposed"] == plain["proposed"]
    files = [one for one in tmp_path.iterdir() if one.is_file()]
    assert all(re.fullmatch(r"[a-z0-9.-]{1,80}", one.name) for one in files)
    folders = (tmp_path, tmp_path / "plain")
    pages = [next(folder.glob("*.md")).read_text("utf-8") for folder in folders]
    assert len(pages[0].splitlines()) == len(pages[1].splitlines())
    outside = re.sub(r"^# (`+).*?[^`]\1(?!`)", "# ", pages[0])  # the name is a code span
    assert not re.search(r"(?<!\\)[`<\[]", outside)
    assert not any(ord(one) < 32 for one in pages[0].replace("\n", ""))


@given(st.text(max_size=30))
def test_markdown_keeps_its_lines_whatever_the_name(text: str) -> None:
    named = replace(CARD, name=text)
    page = as_markdown(AXIS, as_table("p", "s", named, AXIS, KEEP, READINGS))
    assert page.count("\n# ") == 0
    assert page.startswith("# ")


# --- what the change upsets, in figures -------------------------------------------------------


def proposed(scale: float, stored: Stored, seed: int = 0) -> tuple[dict[str, Any], str]:
    """Return table and Markdown of the proposal for a belt axis that travels `scale`."""
    axis = replace(AXIS, stored=stored)
    finding = judge(Truth(scale), seed, stored=stored).as_json(file=None, axis="x")
    table = as_table("id-1", "s-1", CARD, axis, finding, READINGS)
    return table, as_markdown(axis, table)


def test_what_the_change_upsets_is_told_in_figures() -> None:
    table, _ = proposed(0.8, Stored(Form.STEPS_PER_MM, Fraction(80)))
    heights, rates, *_ = table["upsets"]
    # 100 mm x 80 steps are 80 mm x 100 steps; the feed of the card in mm a second times the steps.
    assert "what was 100 mm is 80.00 mm with the new one" in heights
    per_s = AXIS.feed_mm_per_min / 60
    assert f"take {per_s * 100:.0f} steps per second instead of {per_s * 80:.0f}" in rates
    assert f"at most {AXIS.max_pulse_rate_hz:g}" in rates


def test_step_counts_upset_heights_as_the_number_does() -> None:
    """40 mm a turn stay, and each of them takes twice the steps."""
    stored = Stored(Form.TRAVEL_PER_REV_MM, Fraction(40))
    finding = judge(Truth(0.5), 0, stored=stored, looks={"microsteps=32": "confirmed"})
    axis = replace(AXIS, stored=stored)
    table = as_table("id-1", "s-1", CARD, axis, finding.as_json(file=None, axis="x"), READINGS)
    assert table["found"]["travel_per_rev_mm"] == table["proposed"]["travel_per_rev_mm"]
    assert "what was 100 mm is 50.00 mm with the new one" in table["upsets"][0]


def test_what_decimals_cost_is_told_for_a_number_that_is_not_round() -> None:
    round_one, markdown = proposed(0.8, Stored(Form.STEPS_PER_MM, Fraction(80)))
    assert "rounded" not in round_one and "decimals" not in markdown
    long_one, markdown = proposed(0.75, Stored(Form.STEPS_PER_MM, Fraction(80)))
    assert [one["decimals"] for one in long_one["rounded"]] == [0, 1, 2, 3]
    # 80 / 0.75 = 106.666...; 106.67 is a third of a hundredth too much, over 220 mm.
    assert "- 106.67: 0.0069 mm" in markdown


# --- looks --------------------------------------------------------------------------------

TEETH = {"key": "pulley-teeth=16", "asks": "count the teeth. Has it 16?"}
NUMBER = {"key": "stored-number=64", "asks": "read the number. Is it 64?"}
TO_CONFIRM = "- pulley-teeth (p 0.98): 16 teeth, the card says 20. To confirm: count the teeth"


def why(*looked: dict[str, str]) -> tuple[list[str], list[str]]:
    """Return what a proposal says of its causes and of the looks that were taken."""
    finding = {**CHANGE, "looked": list(looked)}
    text = as_markdown(AXIS, as_table("id", "s-1", CARD, AXIS, finding, READINGS))
    sections = {one.partition("\n")[0]: one for one in text.split("\n## ")}
    causes, looks = (
        [line for line in sections.get(name, "").splitlines() if line.startswith("- ")]
        for name in ("Why", "What was looked at")
    )
    return causes, looks


def test_what_nobody_looked_at_is_still_to_be_confirmed() -> None:
    assert why() == ([TO_CONFIRM], [])
    looks = ["- read the number. Is it 64? **no**"]
    assert why({**NUMBER, "seen": "no"}) == ([TO_CONFIRM], looks)
    unsure = ["- count the teeth. Has it 16? **unsure**"]
    assert why({**TEETH, "seen": "unsure"}) == ([TO_CONFIRM], unsure)


@pytest.mark.parametrize(
    ("seen", "says"), [("yes", "A look has confirmed it"), ("no", "A look did not confirm it")]
)
def test_what_was_looked_at_is_said_with_what_was_seen(seen: str, says: str) -> None:
    causes, looks = why({**TEETH, "seen": seen})
    assert causes == [f"- pulley-teeth (p 0.98): 16 teeth, the card says 20. {says}"]
    assert looks == [f"- count the teeth. Has it 16? **{seen}**"]


def test_a_look_by_the_name_of_its_cause_counts() -> None:
    """Of a feeder it is asked whether a part is another at all, not whether it is this one."""
    assert "A look has confirmed" in why({**TEETH, "key": "pulley-teeth", "seen": "yes"})[0][0]


def test_two_parts_are_confirmed_by_both_of_their_looks() -> None:
    both = {**CAUSE, "looks": ["pulley-teeth=16", "stored-number=64"]}
    finding = {**CHANGE, "causes": [both]}

    def confirmed(*looked: dict[str, str]) -> str | None:
        table = as_table("id", "s-1", CARD, AXIS, {**finding, "looked": looked}, READINGS)
        answer: str | None = table["cause"][0].get("looked")
        return answer

    assert confirmed({**TEETH, "seen": "yes"}) is None
    assert confirmed({**TEETH, "seen": "yes"}, {**NUMBER, "seen": "unsure"}) is None
    assert confirmed({**TEETH, "seen": "yes"}, {**NUMBER, "seen": "yes"}) == "yes"
    assert confirmed({**TEETH, "seen": "yes"}, {**NUMBER, "seen": "no"}) == "no"


def test_the_looks_of_a_session_stand_in_its_proposal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["rehearse", "--hands-off", "--fault", "microsteps", "--axis", "x", "--seed", "3"]
    assert cli.run(["--home", str(tmp_path), *asked]) == 0
    (path,) = (tmp_path / "proposals").glob("*.toml")
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    assert [(one["key"], one["seen"]) for one in table["look"]] == [
        ("motor-turn", "no"),
        ("stored-number=160", "no"),
        ("microsteps=8", "yes"),
    ]
    said = path.with_suffix(".md").read_text(encoding="utf-8")
    assert "8 microsteps, the card says 16. A look has confirmed it" in said
    assert "Are they set to 8 (and not to the 16 of the card)? **yes**" in said
    assert "To confirm" not in said
