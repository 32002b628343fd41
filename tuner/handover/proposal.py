"""A proposal: a change put to a person, as TOML for programs and Markdown for people.

It is written once, atomically, and never changed; whether it was applied is kept in the
logbook. It says what was found, what is proposed, how sure that is, what the change makes
untrue, and how to go back. Nothing here can reach a machine.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

from tuner.card.schema import Axis, Card
from tuner.card.write import toml_text, write_twins
from tuner.drive.numbers import plain_number
from tuner.drive.scale import Form, all_forms, form_key, form_words, parse_form, steps_per_mm
from tuner.errors import BenchFault
from tuner.handover.markdown import inert, quoted
from tuner.text import shown, slug

SCHEMA = 1

_LOOKING = (
    "Switch the machine off and unplug it before you look at or touch pulleys, belts, screws, "
    "gears or plugs; block a vertical axis so that it cannot drop. Never pull the plug of a "
    "powered motor; turning a motor by hand generates voltage."
)
_CHANGED = (
    "After a change of this number the axis moves a different distance for the same command: "
    "start with 1 mm, hands out, power switch in reach."
)
_LOOKED = {"yes": "A look has confirmed it", "no": "A look did not confirm it"}
_NO_SUBSTITUTE = (
    "This does not replace guards, local codes, or a licensed electrician for mains wiring."
)
_FEEDER_UPSETS = (
    "the new number holds for this filament and this pressure of the wheel on it: measure again "
    "after another filament, a worn wheel or another pressure",
    "flow corrections and lengths to draw back that were set with the old number: set them anew",
    "every feed now means another pulse rate and motor speed: check the limits",
)


@dataclass(frozen=True)
class Written:
    """Where a proposal was written, and the digest that proves it was not changed since."""

    id: str
    path: Path
    sha256: str


def _found_forms(axis: Axis, proposal: Mapping[str, Any] | None) -> dict[str, Any]:
    """Return what the controller holds: as on the card, exactly, unless it was misread."""
    forms = all_forms(steps_per_mm(axis.stored, axis.train), axis.train)
    on_card = {str(form): value for form, value in forms.items()}
    if proposal is None or math.isclose(
        proposal["found"][Form.STEPS_PER_MM], on_card[Form.STEPS_PER_MM], rel_tol=1e-9
    ):
        return on_card
    return dict(proposal["found"])


def _in_unit(forms: Mapping[str, Any], unit: str) -> dict[str, Any]:
    """Return `forms` under the names that they have for an axis that counts in `unit`."""
    return {form_key(Form(form), unit): value for form, value in forms.items()}


def _key_in_unit(key: str, unit: str) -> str:
    """Return a key of the card as it is written for an axis that counts in `unit`."""
    part, _, name = key.partition(".")
    return f"{part}.{form_key(Form(name), unit)}" if part == "stored" else key


def _card_value(axis: Axis, key: str) -> int | Fraction | None:
    """Return what the card has today under a key such as ``gears.0.driver``, or None."""
    value: Any = None
    match key.split("."):
        case ["stored", form] if form == axis.stored.form:
            value = axis.stored.value
        case ["gears", place, name]:
            value = getattr(axis.train.gears[int(place)], name, None)
        case [("drive" | "motor") as part, name]:
            value = getattr(getattr(axis.train, part), name, None)
    return value if isinstance(value, int | Fraction) else None


def _cautions(is_change: bool) -> list[str]:
    return [_LOOKING, *([_CHANGED] if is_change else []), _NO_SUBSTITUTE]


def _upsets(axis: Axis, finding: Mapping[str, Any]) -> list[str]:
    if finding["verdict"] != "change":
        return []
    if axis.filament is not None:
        return list(_FEEDER_UPSETS)
    name = axis.name.upper()
    before = float(finding["proposal"]["found"][Form.STEPS_PER_MM])
    after = finding["proposal"][Form.STEPS_PER_MM]
    unit = axis.train.unit
    heights = rates = ""
    if after is not None and not math.isclose(before, after, rel_tol=1e-9):
        feed_mm_per_s = axis.feed_mm_per_min / 60.0
        heights = f"; what was 100 {unit} is {100.0 * before / after:.2f} {unit} with the new one"
        rates = (
            f"; {axis.feed_mm_per_min:g} {unit}/min take {feed_mm_per_s * after:.0f} steps per "
            f"second instead of {feed_mm_per_s * before:.0f}, and the controller makes at most "
            f"{axis.max_pulse_rate_hz:g}"
        )
    upsets = [
        f"stored positions of {name} (heights, offsets, soft limits, bed corners) were set with "
        f"the old number: set them anew{heights}",
        f"every feed of {name} now means a different pulse rate and motor speed: check the limits"
        f"{rates}",
    ]
    if axis.reference.at != "none":
        upsets.append(f"search the end switch of {name} again before the next job")
    return upsets


def as_table(
    identifier: str,
    session: str,
    card: Card,
    axis: Axis,
    finding: Mapping[str, Any],
    readings: Sequence[Mapping[str, Any]],
    *,
    simulated: bool = False,
) -> dict[str, Any]:
    """Return the proposal of one axis as the table that is written as TOML.

    `finding` has the form of ``tuner examine --json``, and the looks that were taken, in
    ``looked``; `readings` have the keys of a reading.
    `simulated` says that it comes from a rehearsal.
    """
    proposal = finding["proposal"]
    unit = axis.train.unit
    found = _in_unit(_found_forms(axis, proposal), unit)
    stored_form = form_key(axis.stored.form, unit)
    table: dict[str, Any] = {
        "schema": SCHEMA,
        "id": identifier,
        "session": session,
        "machine": card.name,
        "axis": axis.name,
        "motor": finding.get("motor", axis.name),
        "card_sha256": card.sha256,
        "verdict": finding["verdict"],
        "basis": proposal["basis"] if proposal else None,
        "simulated": simulated,
        "stored_form": stored_form,
        "nothing_changed": True,
        "go_back": (
            f"type back in what was found: {_number(found[stored_form])} "
            f"{form_words(axis.stored.form, unit)}"
        ),
        "next": finding["next"],
        "cautions": _cautions(proposal is not None),
        "upsets": _upsets(axis, finding),
        "found": found,
    }
    if proposal:
        table["proposed"] = _in_unit({str(form): proposal[str(form)] for form in Form}, unit)
        # What a tie leaves open (None), and what stays as it is, is no change.
        table["change"] = [
            {"key": f"axes.{axis.name}.{_key_in_unit(key, unit)}", "from": now, "to": value}
            for key, value in proposal["changes"].items()
            if value is not None and value != (now := _card_value(axis, key))
        ]
        # What the decimals of the stored number cost, where it is not a round one.
        if len(rounded := proposal.get("rounded", ())) > 1:
            table["rounded"] = [dict(one) for one in rounded]
        if _is_about_step_counts(table):
            counts = ", ".join(f"{one['key']} = {_number(one['from'])}" for one in table["change"])
            table["go_back"] = f"set the step counts again as they were found: {counts}"
        table["upsets"].append(_card_after(axis, table))
    elif finding["verdict"] == "keep":
        table["proposed"] = found
    if finding["scale"]:
        table["scale"] = {**finding["scale"], "n": finding["n"]}
    table["caliper"] = {
        "range_mm": card.caliper.range_mm,
        "resolution_mm": card.caliper.resolution_mm,
        "error_limit_mm": card.caliper.error_limit_mm,
        "id": card.caliper.id,
        "calibrated_on": card.caliper.calibrated_on,
    }
    looked = finding.get("looked", ())
    seen = {one["key"]: one["seen"] for one in looked}
    table["cause"] = [
        {name: cause[name] for name in ("name", "p", "says", "check")} | _looked(cause, seen)
        for cause in finding["causes"]
    ]
    if looked:
        table["look"] = [dict(one) for one in looked]
    table["reading"] = [
        {name.replace("_mm", f"_{unit}"): value for name, value in reading.items()}
        for reading in readings
    ]
    return table


def _looked(cause: Mapping[str, Any], seen: Mapping[str, str]) -> dict[str, str]:
    """Return whether looks have shown a cause, by key; nothing while one of them is open."""
    answers = {seen.get(key, seen.get(key.partition("=")[0], "")) for key in cause.get("looks", ())}
    if not answers or not answers <= {"yes", "no"}:
        return {}
    return {"looked": "no" if "no" in answers else "yes"}


def _card_after(axis: Axis, table: Mapping[str, Any]) -> str:
    """Return what the card has to say once the change is made."""
    stored_form = table["stored_form"]
    entries = {one["key"]: one["to"] for one in table["change"]}
    if (number := table["proposed"][stored_form]) is not None:
        entries[f"axes.{axis.name}.stored.{stored_form}"] = number
    said = ", ".join(f"{key} = {_number(value)}" for key, value in entries.items())
    return f"the machine card, from which the next session starts: {said or 'look the parts up'}"


def _is_about_step_counts(table: Mapping[str, Any]) -> bool:
    """Whether the stored number is right, and the motor's step counts beside it are not."""
    form = table["stored_form"]
    before, after = table["found"][form], table["proposed"][form]
    return after is not None and math.isclose(before, after, rel_tol=1e-9)


def _headline(axis: Axis, table: Mapping[str, Any]) -> str:
    name, motor = axis.name.upper(), table["motor"]
    if motor != axis.name:
        name = f"motor {motor} (on the card {name})"
    match table["verdict"]:
        case "change":
            form = table["stored_form"]
            if _is_about_step_counts(table):
                counts = ", ".join(
                    f"{one['key']} from {_number(one['from'])} to **{_number(one['to'])}**"
                    for one in table["change"]
                )
                return (
                    f"Proposal: leave the stored number of {name}, and change what the controller "
                    f"holds about its motor: {counts}."
                )
            return (
                f"Proposal: change the stored number of {name} from "
                f"**{_number(table['found'][form])}** to **{_number(table['proposed'][form])}** "
                f"{form_words(*parse_form(form))}."
            )
        case "keep":
            return f"Keep the stored number of {name} as it is."
        case "repair-first":
            return f"Repair {name} first; its stored number cannot be judged yet."
        case "measure-again":
            return f"Measure {name} again before anything is changed."
    return f"What is wrong with {name} cannot be told yet; change nothing."


def _number(value: Fraction | float | None) -> str:
    """Return `value` as a person types it; a dash for one that a tie leaves open."""
    if value is None:
        return "-"
    return plain_number(value) if isinstance(value, Fraction) else f"{value:.6g}"


def _rehearsed(table: Mapping[str, Any]) -> list[str]:
    if not table["simulated"]:
        return []
    return ["", "This comes from a rehearsal on a simulated machine; change nothing real after it."]


def _causes(table: Mapping[str, Any]) -> list[str]:
    """Return a line for each cause; what would confirm it, unless that was looked at."""
    return [
        f"- {inert(cause['name'])} (p {cause['p']:.2f}): {inert(cause['says'])}. "
        + _LOOKED.get(cause.get("looked", ""), f"To confirm: {inert(cause['check'])}")
        for cause in table["cause"]
    ]


def as_markdown(axis: Axis, table: Mapping[str, Any]) -> str:
    """Return the proposal for a person to read and apply by hand."""
    lines = [
        f"# {quoted(table['machine'])}, axis {axis.name.upper()}: {table['verdict']}",
        "",
        _headline(axis, table),
        "",
        "Nothing was changed on the machine by this program.",
        *_rehearsed(table),
        "",
        f"Next: {inert(table['next'])}",
        "",
    ]
    scale = table.get("scale")
    if scale:
        lines += [
            f"Scale (true travel / commanded travel): {scale['value']:.5f} ± {scale['U']:.5f} "
            f"(95 %, k = {scale['k']:.2f}, {scale['n']} readings)",
            "",
        ]
    unit = axis.train.unit
    lines += ["| | found | proposed |", "| --- | --- | --- |"]
    proposed = table.get("proposed")
    for form in Form:
        key = form_key(form, unit)
        after = _number(proposed[key] if proposed else None)
        lines.append(f"| {form_words(form, unit)} | {_number(table['found'][key])} | {after} |")
    if rounded := table.get("rounded"):
        over = "the whole length of the axis" if axis.filament is None else "1000 mm of filament"
        lines += ["", f"Fewer decimals cost, over {over}:", ""]
        lines += [
            f"- {one['value']:.{one['decimals']}f}: {one['off_mm']:.4f} {unit}" for one in rounded
        ]
    lines += ["", "## Why", ""]
    lines += _causes(table) or ["- no cause is named"]
    if looks := table.get("look"):
        lines += ["", "## What was looked at", ""]
        lines += [f"- {inert(one['asks'])} **{inert(one['seen'])}**" for one in looks]
    if table["upsets"]:
        lines += ["", "## What the change makes untrue", ""]
        lines += [f"- {upset}" for upset in table["upsets"]]
    lines += ["", "## Go back", "", f"To go back, {table['go_back']}.", "", "## Cautions", ""]
    lines += [f"- {caution}" for caution in table["cautions"]]
    lines += [
        "",
        "## Readings",
        "",
        f"| n | commanded {unit} | reading {unit} | arrived moving | visit | remark |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    lines += [
        f"| {one['n']} | {one[f'commanded_{unit}']:.4f} | {one[f'reading_{unit}']:.2f} "
        f"| {one['approach']} | {one['visit']} | {'looks misread' if one.get('suspect') else ''} |"
        for one in table["reading"]
    ]
    lines += ["", f"Session {table['session']}, card sha256 {table['card_sha256']}.", ""]
    return "\n".join(lines)


def write_proposal(
    folder: Path,
    when: datetime,
    session: str,
    card: Card,
    axis: Axis,
    finding: Mapping[str, Any],
    readings: Sequence[Mapping[str, Any]],
    *,
    simulated: bool = False,
) -> Written:
    """Write the proposal of one axis as ``<id>.toml`` and ``<id>.md``; never over another.

    Raises ``BenchFault`` when the folder cannot be written; no half file is left then.
    """
    base = f"{when:%Y%m%d-%H%M%S}-{slug(card.name)}-{axis.name}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        identifier, number = base, 1
        while True:
            table = as_table(
                identifier, session, card, axis, finding, readings, simulated=simulated
            )
            text = toml_text(table).encode()
            markdown = as_markdown(axis, table).encode()
            if write_twins(folder / identifier, {".md": markdown, ".toml": text}):
                break
            number += 1
            identifier = f"{base}-{number}"
    except OSError as error:
        raise BenchFault(
            f"the proposal cannot be written to {shown(str(folder))} ({shown(str(error))}); its "
            "readings are in the logbook. Free the folder or choose another with --home"
        ) from error
    path = folder / f"{identifier}.toml"
    return Written(identifier, path, hashlib.sha256(text).hexdigest())
