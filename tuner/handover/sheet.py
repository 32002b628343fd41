"""The handover sheet: what was measured, found and left, for whoever gets the machine back.

It is made from the logbook alone, as often as it is wanted, and never overwrites one that was
handed over. Nothing on it is said that no session found: what was not tested is listed as such.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import Any, Literal, cast

from tuner.card.write import write_twins
from tuner.drive.numbers import decimals_kept
from tuner.errors import BadReadings, BenchFault
from tuner.handover.document import (
    Block,
    Document,
    Items,
    Paragraph,
    Picture,
    Section,
    Table,
    Typed,
    Words,
)
from tuner.handover.history import Entry, entry, in_order, moved_since
from tuner.handover.markdown import as_markdown
from tuner.handover.page import as_html
from tuner.handover.picture import residual_svg
from tuner.handover.recorded import Finding, Recorded
from tuner.handover.story import Story, stories
from tuner.metrology.caliper import Place, placed_limit_mm
from tuner.metrology.examination import Described, examine_readings
from tuner.metrology.reading import Reading
from tuner.metrology.student import student_t_factor
from tuner.plans.intake import SYMPTOMS
from tuner.text import shown, slug
from tuner.wire.port import is_rehearsal

__all__ = ["compose", "write_sheet"]

_MOST_EARLIER = 3  # of each axis
# What the largest part of an uncertainty is called on a sheet, where its short name says little.
_COMES_FROM = {
    "readings": "the hand that reads",
    "caliper": "the error limit of the caliper",
    "resolution": "the step of the caliper's display",
}
# What a finding calls that it could not test, where its own name says little to a customer.
_NAMED = {
    "scale": "how far it goes",
    "travel_per_rev_mm": "travel per revolution",
    "periodic": "what swings with every turn",
    "half-turns": "a motor that makes half its turns",
    "jumps": "jumps between readings",
    "suspect_readings": "misread values",
    "lost-steps": "single lost cycles of the motor",
    "feeder-slip": "slip under pressure",
    "screws": "whether the screws turn alike",
    "feeds": "faster moves",
}
_UNIT = re.compile("_(mm|deg)(_per_min)?$")
_NOTHING_CHANGED = "Nothing was changed on the machine by this program."


def compose(records: Sequence[Recorded], earlier: Sequence[Entry]) -> Document:
    """Return the sheet of a job: `records` of one machine, at least one, the oldest first.

    `earlier` is what was found of the machine before, the oldest first.
    """
    axes = stories(records)
    sections = [
        Section("Job", tuple(_job(records))),
        Section("As found and as left", tuple(_found_and_left(axes))),
        Section("Still to be done", tuple(_still_to_do(axes))),
        Section("What was found", tuple(_findings(axes))),
        Section("Other tests", tuple(_other_tests(records))),
        Section("How sure it is", tuple(_how_sure(axes))),
        Section("What was not tested", tuple(_not_tested(records, axes))),
        Section("Before the next job", tuple(_before_the_next_job(axes))),
        Section("To go back", tuple(_go_back(axes))),
        Section("Caliper", tuple(_caliper(records))),
        Section("Cautions", tuple(_cautions(axes))),
        Section("This machine before", tuple(_earlier(earlier, axes))),
        Section("Where this comes from", tuple(_sources(records))),
    ]
    return Document(
        "Handover sheet",
        Typed(records[-1].machine),
        tuple(one for one in sections if one.blocks),
    )


# --- the parts of a sheet -----------------------------------------------------------------


def _job(records: Sequence[Recorded]) -> Iterator[Block]:
    asked = next((one.intake for one in reversed(records) if one.intake), {})
    first, last = _day(records[0].started_at), _day(records[-1].started_at)
    rows: list[tuple[Words, Words]] = [
        ("job", Typed(next((one.job for one in reversed(records) if one.job), ""))),
        ("machine", Typed(records[-1].machine)),
        ("complaint", Typed(asked.get("complaint", ""))),
        ("it is about", SYMPTOMS.get(asked.get("symptom", ""), "")),
        ("work done by", Typed(asked.get("by", ""))),
        ("measured", first if first == last else f"{first} to {last}"),
    ]
    yield Table((), tuple(row for row in rows if row[1] not in ("", Typed(""))))
    yield Paragraph(_NOTHING_CHANGED, strong=True)
    if any(is_rehearsal(one.port) for one in records):
        yield Paragraph(
            "This comes from a rehearsal on a simulated machine; change nothing real after it.",
            strong=True,
        )


def _found_and_left(axes: Sequence[Story]) -> Iterator[Block]:
    if not axes:
        yield Paragraph("No stored number was measured to the end.")
        return
    head = ("axis", "stored, as found", "told 100, it went", "stored, as left", "told 100, it goes")
    yield Table(
        head,
        tuple(
            (
                one.letter,
                one.stored_as_found(),
                one.travel(one.found),
                one.stored_as_left(),
                one.travel_as_left(),
            )
            for one in axes
        ),
    )


def _still_to_do(axes: Sequence[Story]) -> Iterator[Block]:
    said = tuple(sentence for one in axes if (sentence := one.still_to_do()))
    if said:
        yield Items(said, to_do=True)
    elif axes:
        yield Paragraph("Nothing: every number that was measured is in order.")


def _findings(axes: Sequence[Story]) -> Iterator[Block]:
    said = [sentence for one in axes for sentence in one.what_was_found()]
    if said:
        yield Items(tuple(said))
    pictures = [
        picture
        for one in axes
        for of, when in ((one.found, "as found"), (one.left, "as left"))
        if of is not None and (picture := _picture(of, one, when)) is not None
    ]
    if pictures:
        yield Paragraph(
            "Residuals: reading minus fit in mm, over the commanded position. Marks point the way "
            "the axis was moving when it arrived; 95 % of what this hand reads lies in the band."
        )
        yield from pictures


def _picture(record: Recorded, story: Story, when: str) -> Picture | None:
    """Return what is left of the readings of `record`.

    None where they show no scale, and where other things than one axis made them: two motors
    together, a feeder, or a table that turns.
    """
    axis = record.card.axes[story.axis.name]
    is_slide = axis.filament is None and axis.train.unit == "mm"
    is_shared = record.card.layout == "coupled-belts" and axis.name in ("x", "y")
    if is_shared or not is_slide:
        return None
    readings = [
        Reading(
            one.commanded_mm,
            one.reading_mm + one.block_mm,
            "plus" if one.approach == "plus" else "minus",
            n=one.number,
            visit=one.visit,
            time_s=one.time_s,
        )
        for one in record.readings
        if one.axis == axis.name
    ]
    grows: Literal[1, -1] = 1 if axis.reading_grows == "plus" else -1
    try:
        said = examine_readings(
            readings,
            resolution_mm=record.card.caliper.resolution_mm,
            error_limit_mm=record.card.caliper.error_limit_mm,
            grows=grows,
            described=Described(axis.train, axis.stored, axis.length_mm),
            hold_time_s=record.card.hold_time_s,
            setups=1,
        )
    except BadReadings:
        return None
    band_mm = student_t_factor(said.fit.dof) * said.fit.s_mm
    drawn = residual_svg(
        said.fitted.commanded_mm.tolist(),
        said.fit.residuals_mm.tolist(),
        said.fitted.side.tolist(),
        band_mm,
    )
    return Picture(
        drawn,
        f"{story.letter} {when}, {len(said.fitted)} readings, the band is ± {band_mm:.3f} mm",
    )


def _other_tests(records: Sequence[Recorded]) -> Iterator[Block]:
    said = tuple(
        f"{axis.upper()}, {one.test}: {_seen(finding)}next: {finding['next']}."
        for one in records
        if one.test
        for axis, finding in one.findings.items()
    )
    if said:
        yield Items(said)


def _seen(finding: Finding) -> str:
    """Return what a test saw in words, and what separates it from what is next."""
    said = [finding["squareness"]["says"]] if "squareness" in finding else []
    said += [one["says"] for one in finding["causes"][:1]]
    return "".join(f"{one}; " for one in said)


def _how_sure(axes: Sequence[Story]) -> Iterator[Block]:
    said = [sentence for one in axes if (sentence := _sure(one))]
    if not said:
        return
    yield Paragraph(
        "Each axis was last seen to travel so far when it was told 100. In 19 of 20 such "
        "measurements the truth lies between the two numbers."
    )
    yield Items(tuple(said))
    if exact := [one.letter for one in axes if one.proposal and one.proposal["basis"] == "parts"]:
        yield Paragraph(
            f"{', '.join(exact)}: the proposed number comes from the parts, which are exact; the "
            "measurement only tells which parts they are."
        )


def _sure(story: Story) -> str:
    """Return between what the truth lies and why no closer, empty where there is no number."""
    finding, unit = story.latest, story.axis.train.unit
    scale = finding.get("scale")
    if not scale:
        return ""
    low, high = (100.0 * (scale["value"] + sign * scale["U"]) for sign in (-1.0, 1.0))
    decimals = max(decimals_kept(100.0 * scale["U"]), 0)
    return (
        f"{story.letter}: {low:.{decimals}f} to {high:.{decimals}f} {unit} (k = {scale['k']:.2f}, "
        f"{finding['n']} readings){_largest_part(finding.get('budget', ()))}"
    )


def _largest_part(budget: Sequence[Mapping[str, Any]]) -> str:
    if not budget:
        return ""
    name = max(budget, key=lambda one: float(one["u_relative"]))["name"]
    return f"; most of the doubt comes from {_COMES_FROM.get(name, name)}"


def _not_tested(records: Sequence[Recorded], axes: Sequence[Story]) -> Iterator[Block]:
    said = []
    measured = {one.axis.name for one in axes}
    if others := [name.upper() for name in records[-1].card.axes if name not in measured]:
        said.append(f"{', '.join(others)}: not measured.")
    if quick := [one.letter for one in axes if one.judged is not None and one.judged.quick]:
        said.append(f"{', '.join(quick)}: only a quick check, fewer readings than a whole session.")
    # One reason often stands for several axes, and for several things that they do not show.
    letters: dict[tuple[str, str], list[str]] = {}
    for one in axes:
        whats: dict[str, list[str]] = {}
        for what, why in one.latest.get("not_tested", {}).items():
            whats.setdefault(why, []).append(_NAMED.get(what, _UNIT.sub("", what)))
        if not one.latest.get("scale") and len(whats) == 1:
            whats = {why: ["nothing was measured to its end"] for why in whats}
        for why, these in whats.items():
            letters.setdefault((", ".join(these), why), []).append(one.letter)
    said += [f"{', '.join(of)}: {what} ({why})." for (what, why), of in letters.items()]
    said += [
        f"session {one.id} did not come to its end; what it read is in the logbook."
        for one in records
        if one.ended_as != "finished"
    ]
    is_squared = any("squareness" in one for of in records for one in of.findings.values())
    squareness = "" if is_squared else "squareness of the axes to each other, "
    said.append(f"Besides: {squareness}what the machine makes, and anything electrical.")
    yield Items(tuple(said))


def _before_the_next_job(axes: Sequence[Story]) -> Iterator[Block]:
    changed = [(one, one.may_be_in_force) for one in axes]
    upsets = [upset for _, change in changed if change for upset in change["upsets"]]
    if upsets:
        open_ = [one.letter for one, change in changed if change and not one.is_in_force]
        yield Paragraph(
            "A change of a stored number makes other things untrue"
            + (f"; of {', '.join(open_)} only once it is typed in:" if open_ else ":")
        )
        yield Items((*upsets, "make one test piece and measure it before real work"), to_do=True)


def _go_back(axes: Sequence[Story]) -> Iterator[Block]:
    said = [
        f"{one.letter}{'' if one.is_in_force else ', if it was changed'}: {change['go_back']}"
        for one in axes
        if (change := one.may_be_in_force)
    ]
    if said:
        yield Items(tuple(said))


def _caliper(records: Sequence[Recorded]) -> Iterator[Block]:
    asked = next((one.intake for one in reversed(records) if one.intake), {})
    caliper = records[-1].card.caliper
    on_card = "" if caliper.calibrated_on is None else caliper.calibrated_on.isoformat()
    used = {axis: how for one in records for axis, how in one.placed.items()}
    placed = ", ".join(
        f"{axis.upper()} {how.replace('-', ' ')}, "
        f"{placed_limit_mm(caliper.error_limit_mm, cast(Place, how)):g} mm"
        for axis, how in used.items()
    )
    rows: tuple[tuple[Words, Words], ...] = (
        ("which", _typed_or(asked.get("caliper") or caliper.id, "not noted")),
        ("calibrated on", _typed_or(asked.get("calibrated_on") or on_card, "not known")),
        (
            "range, step, error limit",
            f"{caliper.range_mm:g} mm, {caliper.resolution_mm:g} mm, "
            f"{caliper.error_limit_mm:g} mm for the outside jaws",
        ),
        ("used as, and counted with", placed),
    )
    yield Table((), tuple(row for row in rows if row[1]))


def _typed_or(text: str | None, without: str) -> Words:
    return Typed(text) if text else without


def _cautions(axes: Sequence[Story]) -> Iterator[Block]:
    said = [*dict.fromkeys(chain.from_iterable(one.cautions for one in axes))]
    if said:
        yield Items(tuple(said))


def _earlier(earlier: Sequence[Entry], axes: Sequence[Story]) -> Iterator[Block]:
    """Tell what was found before of the axes of this job, or of all where none was measured."""
    now = {one.axis.name: of for one in axes if (of := one.found or one.left)}
    before = {
        axis: its[-_MOST_EARLIER:]
        for axis, its in in_order(earlier).items()
        if axis in now or not now
    }
    if not before:
        return
    yield Table(
        ("day", "axis", "true / commanded travel", "lost on reversal", "verdict"),
        tuple(
            (
                _day(one.started_at),
                axis.upper(),
                one.scale_in_words(),
                one.play_in_words(),
                one.outcome or one.verdict,
            )
            for axis, its in before.items()
            for one in its
        ),
    )
    moved = [
        moved_since([*its, entry(of.id, of.started_at, axis, of.findings[axis])])[-1]
        for axis, its in before.items()
        if (of := now.get(axis))
    ]
    if said := tuple(f"Since then {one.in_words()}." for one in moved if one is not None):
        yield Items(said)


def _sources(records: Sequence[Recorded]) -> Iterator[Block]:
    rows = tuple(
        (Typed(one.id), _minute(one.started_at), _kind(one), _came_of(one)) for one in records
    )
    yield Table(("session", "began (UTC)", "what it was", "what came of it"), rows)
    last = records[-1]
    yield Paragraph(
        "The card is the file that describes the parts of the machine; sha256 "
        f"{last.card.sha256}. Program {shown(last.tool_version)}."
    )


def _kind(record: Recorded) -> str:
    if record.intake is not None:
        return "the machine came in"
    if record.checked is not None:
        return "check after a change"
    if record.test:
        return record.test
    kind = "quick check" if record.quick else "measuring"
    return kind if record.ended_as == "finished" else f"{kind}, not ended"


def _came_of(record: Recorded) -> str:
    """Return what a session ended with, axis by axis, and what became of its proposals."""
    if record.checked is not None:
        return f"{', '.join(record.findings).upper()} {record.checked.outcome}"
    became = {one.axis: f" ({one.state})" for one in record.proposals if one.state != "open"}
    said = [
        f"{axis.upper()} {record.findings[axis]['verdict']}{became.get(axis, '')}"
        for axis in record.card.axes
        if axis in record.findings
    ]
    return ", ".join(said) or "-"


def _day(utc: str) -> str:
    return utc[:10]


def _minute(utc: str) -> str:
    return f"{utc[:10]} {utc[11:16]}"


# --- files --------------------------------------------------------------------------------


def write_sheet(folder: Path, when: datetime, document: Document, job: str = "") -> Path:
    """Write `document` as ``<name>.html`` and its Markdown twin; return the path of the first.

    It is named after the number of its `job` and the machine, or the machine alone.

    Raises ``BenchFault`` when the folder cannot be written; no half file is left then.
    """
    about = f"{job} {document.about.text}" if job else document.about.text
    base = f"{when:%Y%m%d-%H%M%S}-{slug(about)}"
    twins = {".md": as_markdown(document).encode(), ".html": as_html(document).encode()}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        name, number = base, 1
        while not write_twins(folder / name, twins):
            number += 1
            name = f"{base}-{number}"
    except OSError as error:
        raise BenchFault(
            f"the sheet cannot be written to {shown(str(folder))} ({shown(str(error))}); the "
            "sessions are in the logbook. Free the folder, or choose another with --home or "
            "--output"
        ) from error
    return folder / f"{name}.html"
