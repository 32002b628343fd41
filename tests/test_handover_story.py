"""As found and as left: what a sheet says of an axis after every way a job can go."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from fakes import CARD_TEXT

from tuner.card.read import parse_card
from tuner.handover.document import Items, Paragraph, Section, Table
from tuner.handover.recorded import Checked, Recorded
from tuner.handover.sheet import compose
from tuner.handover.story import stories

CARD = parse_card(CARD_TEXT, "card")
CHANGED_CARD = parse_card(CARD_TEXT.replace("steps_per_mm = 80.0", "steps_per_mm = 100.0"), "card")
FORMS = ("travel_per_rev_mm", "travel_per_motor_rev_mm", "steps_per_mm", "mm_per_step")
FOUND = dict(zip(FORMS, (40.0, 40.0, 80.0, 0.0125), strict=True))
PROPOSED = dict(zip(FORMS, (32.0, 32.0, 100.0, 0.01), strict=True))


NEXT = {"keep": "the axis travels what it is told: leave the stored number as it is"}


def finding(verdict: str, scale: float | None, axis: str = "x", **more: Any) -> dict[str, Any]:
    change = {"basis": "parts", "changes": {"drive.pulley_teeth": 16}, "found": FOUND, **PROPOSED}
    return {
        "axis": axis, "verdict": verdict, "n": 8, "causes": [],
        "next": NEXT.get(verdict, "do the next thing"),
        "scale": scale and {"value": scale, "u": 0.0005, "U": 0.001, "k": 2.0, "dof": 30.0},
        "proposal": change if verdict == "change" else None, "not_tested": {}, "budget": [],
        "suspect_readings": [], **more,
    }  # fmt: skip


def session(number: int, found: Mapping[str, Any] | None, **changes: Any) -> Recorded:
    values: dict[str, Any] = {
        "id": f"s-{number}", "machine": "Test slide", "card": CARD, "ended_as": "finished",
        "started_at": f"2026-03-{number:02d}T10:00:00+00:00", "port": "none", "tool_version": "0",
        "findings": {"x": found} if found else {}, "axes": ("x",), "quick": False, "test": "",
        "job": "", "readings": (), "proposals": (), "placed": {}, "checked": None, "intake": None,
    }  # fmt: skip
    return Recorded(**{**values, **changes})


def check(number: int, outcome: str, scale: float) -> Recorded:
    return session(number, finding("keep", scale), checked=Checked("p-1", outcome))


CHANGE = session(1, finding("change", 0.8))
KEEP = session(1, finding("keep", 1.0))
AS_BEFORE, RIGHT = "80.00 ± 0.10 mm", "100.00 ± 0.10 mm"
WAYS = {
    "keep": ([KEEP], ("80 steps per mm", RIGHT, "as found", "as found")),
    "nobody looked again": (
        [CHANGE],
        ("80 steps per mm", AS_BEFORE, "proposed: 100 steps per mm; not checked", "not measured"),
    ),
    "confirmed": (
        [CHANGE, check(2, "confirmed", 1.0)],
        ("80 steps per mm", AS_BEFORE, "100 steps per mm", RIGHT),
    ),
    "not applied": (
        [CHANGE, check(2, "not-applied", 0.8)],
        ("80 steps per mm", AS_BEFORE, "as found", AS_BEFORE),
    ),
    "applied wrongly": (
        [CHANGE, check(2, "applied-twice", 1.25)],
        ("80 steps per mm", AS_BEFORE, "read it from the controller", "125.00 ± 0.10 mm"),
    ),
    "second time right": (
        [CHANGE, check(2, "not-applied", 0.8), check(3, "confirmed", 1.0)],
        ("80 steps per mm", AS_BEFORE, "100 steps per mm", RIGHT),
    ),
    "quick, then whole": (
        [session(1, finding("change", 0.8), quick=True), session(2, finding("change", 0.8))],
        ("80 steps per mm", AS_BEFORE, "proposed: 100 steps per mm; not checked", "not measured"),
    ),
    "repaired, then measured whole": (
        [session(1, finding("repair-first", 0.8)), session(2, finding("keep", 1.0))],
        ("80 steps per mm", AS_BEFORE, "as found", RIGHT),
    ),
    "measured whole with a new card": (
        [CHANGE, session(2, finding("keep", 1.0), card=CHANGED_CARD)],
        ("80 steps per mm", AS_BEFORE, "100 steps per mm", RIGHT),
    ),
    "only the check": (
        [check(2, "confirmed", 1.0)],
        ("not in these sessions", "not measured", "as proposed", RIGHT),
    ),
    "nothing could be measured": (
        [session(1, finding("cannot-tell", None))],
        ("80 steps per mm", "not measured", "as found", "as found"),
    ),
}


@pytest.mark.parametrize("way", WAYS)
def test_as_found_and_as_left(way: str) -> None:
    records, expected = WAYS[way]
    (one,) = stories(records)
    said = (one.stored_as_found(), one.travel(one.found), one.stored_as_left())
    assert (*said, one.travel_as_left()) == expected


def part(title: str, *records: Recorded) -> Section | None:
    return next((one for one in compose(records, ()).sections if one.title == title), None)


def listed(title: str, *records: Recorded) -> list[str]:
    section = part(title, *records)
    blocks = section.blocks if section else ()
    return [str(one) for block in blocks if isinstance(block, Items) for one in block.entries]


def text_of(title: str, *records: Recorded) -> str:
    section = part(title, *records)
    return " ".join(str(block) for block in section.blocks) if section else ""


def test_what_a_change_upsets_is_listed_only_where_one_was_proposed() -> None:
    assert listed("Before the next job", KEEP) == []
    assert listed("To go back", KEEP) == []
    upsets = listed("Before the next job", CHANGE, check(2, "confirmed", 1.0))
    assert any("stored positions of X" in one for one in upsets)
    assert any("end switch of X" in one for one in upsets)
    back = "type back in what was found: 80 steps per mm"
    assert listed("To go back", CHANGE, check(2, "confirmed", 1.0)) == [f"X: {back}"]
    assert listed("To go back", CHANGE) == [f"X, if it was changed: {back}"]
    assert "of X only once it is typed in" in text_of("Before the next job", CHANGE)


def test_what_nobody_typed_in_upsets_nothing() -> None:
    quick = session(1, finding("change", 0.8), quick=True)
    for records in ((quick,), (CHANGE, check(2, "not-applied", 0.8))):
        assert listed("Before the next job", *records) == []
        assert listed("To go back", *records) == []
    assert listed("What was found", quick)[0].startswith("X: its number seems to be wrong")
    checked = (quick, check(2, "confirmed", 1.0))
    assert listed("What was found", *checked)[0] == "X: its number had to change."
    assert listed("To go back", *checked) == ["X: type back in what was found: 80 steps per mm"]


def test_a_change_of_which_no_number_is_known_yet() -> None:
    open_form = finding("change", 0.8)
    open_form["proposal"]["steps_per_mm"] = None
    (one,) = stories([session(1, open_form)])
    assert one.stored_as_left() == "proposed: left open; not checked"


def test_each_outcome_of_a_check_is_said() -> None:
    said = listed("What was found", CHANGE, check(2, "other-axis", 0.8))
    assert said == [
        "X: its number has to change.",
        "X, checked after: another axis got the number that was meant for this one.",
    ]
    said = listed("What was found", CHANGE, check(2, "confirmed", 1.0))
    assert said[0] == "X: its number had to change."
    said = listed("What was found", CHANGE, session(2, finding("keep", 1.0)))
    assert said[:2] == ["X: its number is right.", "X, before that: its number has to change."]


def test_a_look_that_nobody_took_is_still_to_be_done() -> None:
    open_ = finding("change", 0.8, look={"key": "teeth"}, next="unplugged: count the teeth")
    done = check(2, "confirmed", 1.0)
    assert listed("Still to be done", session(1, open_), done) == [
        "X, whose cause nobody has seen yet: unplugged: count the teeth."
    ]
    assert listed("Still to be done", session(1, {**open_, "look": None}), done) == []


def test_what_was_not_tested_is_said_once() -> None:
    why = {"not_tested": {"drift_mm_per_min": "no times given"}}
    both = {"x": finding("keep", 1.0, **why), "y": finding("keep", 1.0, "y", **why)}
    said = listed("What was not tested", session(1, None, findings=both, quick=True))
    assert "Z: not measured." in said
    assert "X, Y: drift (no times given)." in said
    assert "squareness" in said[-1]
    assert "X, Y: only a quick check, fewer readings than a whole session." in said
    said = listed("What was not tested", session(1, None, ended_as="port-lost"))
    assert "session s-1 did not come to its end; what it read is in the logbook." in said


def test_another_test_is_no_as_left() -> None:
    test = session(2, finding("repair-first", 0.8), test="lost-steps")
    square = {"squareness": {"says": "90.1 degrees"}, "next": "do the next thing"}
    frame = session(3, finding("keep", None, **square), test="squareness")
    assert stories([CHANGE, test, frame]) == stories([CHANGE])
    assert listed("Other tests", CHANGE) == []
    assert listed("Other tests", CHANGE, test, frame) == [
        "X, lost-steps: next: do the next thing.",
        "X, squareness: 90.1 degrees; next: do the next thing.",
    ]


def test_where_nothing_was_measured_that_is_said_in_one_sentence() -> None:
    why = dict.fromkeys(("scale", "travel_per_rev_mm", "play_mm", "jumps"), "no readings")
    said = listed("What was not tested", session(1, finding("cannot-tell", None, not_tested=why)))
    assert said[1:-1] == ["X: nothing was measured to its end (no readings)."]


TO_DO = {
    "nothing": ([KEEP], []),
    "a change that nobody looked at again": ([CHANGE], ["X: do the next thing."]),
    "repaired, then measured": ([session(1, finding("repair-first", 0.8)), KEEP], []),
    "what no number cures": (
        [session(1, finding("keep", 1.0, next=(
            "power off: look where it gives; the axis travels what it is told: leave the stored "
            "number as it is; it loses 1 mm, which no number cures. Only feeds up to 25 mm/s were "
            "tried; where layers shift, hunt for lost steps")))],
        ["X: power off: look where it gives; it loses 1 mm, which no number cures."],
    ),
    "what was not tried": (
        [session(1, finding("keep", 1.0, next=(
            "the axis travels what it is told: leave the stored number as it is. Only feeds up to "
            "25 mm/s were tried; where layers shift, hunt for lost steps")))],
        [],
    ),
    "confirmed": ([CHANGE, check(2, "confirmed", 1.0)], []),
    "applied wrongly": (
        [CHANGE, check(2, "applied-twice", 1.25)],
        ["X: read the number that the controller holds now, type in the proposed one: 100 steps "
         "per mm, then check again."],
    ),
    "not told": (
        [check(2, "cannot-tell", 1.0)],
        ["X: read the number that the controller holds now, and compare it with the proposed one."],
    ),
}  # fmt: skip


@pytest.mark.parametrize("way", TO_DO)
def test_what_is_still_to_be_done(way: str) -> None:
    records, expected = TO_DO[way]
    assert listed("Still to be done", *records) == expected
    section = part("Still to be done", *records)
    assert section is not None
    assert isinstance(section.blocks[0], Items if expected else Paragraph)


def test_parts_as_described_are_no_reason_to_repair() -> None:
    cause = {"name": "as-described", "says": "as the card says", "p": 1.0, "check": ""}
    as_described = {"causes": [cause]}
    said = listed("What was found", session(1, finding("repair-first", 1.0, **as_described)))
    assert said == ["X: it has to be repaired first."]
    said = listed("What was found", session(1, finding("keep", 1.0, **as_described)))
    assert said == ["X: its number is right; as the card says (more than 99 % likely)."]


def test_one_reason_for_several_things() -> None:
    why = {"not_tested": {"drift_mm_per_min": "why", "play_mm": "why", "half-turns": "else"}}
    frame = session(2, finding("keep", None, squareness={"says": ""}), test="squareness")
    said = listed("What was not tested", session(1, finding("keep", 1.0, **why)), frame)
    assert said[1:3] == ["X: drift, play (why).", "X: a motor that makes half its turns (else)."]
    assert "squareness" not in said[-1]


def test_how_sure_it_is_in_words() -> None:
    budget = [{"name": "readings", "u_relative": 2e-4}, {"name": "drift", "u_relative": 4e-4}]
    said = listed("How sure it is", session(1, finding("change", 0.8, budget=budget)))
    assert said == [
        "X: 79.90 to 80.10 mm (k = 2.00, 8 readings); most of the doubt comes from drift"
    ]
    section = part("How sure it is", session(1, finding("change", 0.8)))
    assert section is not None
    assert isinstance(last := section.blocks[-1], Paragraph)
    assert "comes from the parts, which are exact" in str(last.words)
    assert part("How sure it is", session(1, finding("cannot-tell", None))) is None


def test_nothing_measured_at_all() -> None:
    section = part("As found and as left", session(1, None, ended_as="stopped"))
    assert section is not None
    assert not any(isinstance(one, Table) for one in section.blocks)
