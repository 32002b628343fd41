"""``tuner examine``: what a table of readings says, with no machine."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from tuner.card.read import read_card
from tuner.card.schema import Axis, Card
from tuner.commands.exported import told_in
from tuner.commands.report import (
    print_columns,
    print_failure,
    print_json,
    print_sentence,
)
from tuner.console.bars import marks_for
from tuner.console.pictures import residual_picture
from tuner.drive.numbers import plain_number, plus_minus
from tuner.drive.scale import Form, form_words
from tuner.errors import BadFile, BadReadings, TunerError, UsedWrongly
from tuner.metrology.caliper import Place
from tuner.metrology.examination import Examination
from tuner.metrology.lattice import DatumLook
from tuner.metrology.student import student_t_factor
from tuner.metrology.table import read_table
from tuner.notebook import axis_on, examine_axis
from tuner.text import shown

# From here on nobody counts: the coverage factor is the normal one.
_MANY_DOF = 1000.0
_LEAST_SHARE = 1e-4  # of u², what a budget shows
_MOST_SUSPECTS = 10
_SIGMAS = 2.0
_IN_WORDS = {
    "travel_per_rev_mm": "travel per revolution",
    "play_mm": "play",
    "periodic": "up and down with every turn",
    "drift_mm_per_min": "drift",
    "suspect_readings": "misread readings",
    "jumps": "jumps",
    "lost-steps": "lost cycles of the motor",
    "belt-jump": "teeth of the belt",
}
_HEADS = {
    "number": "what is behind the number, one of these:",
    "motion": "how the axis moves, each by itself:",
}


def examine(
    *,
    files: Sequence[Path],
    card_path: Path | None,
    axes: Sequence[str] | None,
    placed: Place | None,
    datum_look: DatumLook | None = None,
    as_json: bool,
) -> int:
    """Examine the readings in each of `files` and print what they say, in that order.

    The axis, and how the caliper was `placed`, are those that an exported table says of itself
    unless they are given; a depth rod where nobody says.

    A file that cannot be used is told on standard error and the others are still examined.
    Returns 0, or 1 where there was such a file. Raises ``BadFile`` for a wrong card and
    ``UsedWrongly`` for axes that do not go with card or files.
    """
    if axes and card_path is None:
        raise UsedWrongly("--axis is an axis of a card; give --card as well")
    if axes and len(axes) not in (1, len(files)):
        raise UsedWrongly(
            f"{len(axes)} axes and {len(files)} files; expected one --axis for all files, or one "
            "for each of them in their order"
        )
    card = None if card_path is None else read_card(card_path)
    told = [told_in(file) for file in files]
    names = [one.axis for one in told]
    if axes:
        names = [*axes] * (len(files) // len(axes))
    of_files = [None if card is None else axis_on(card, name) for name in names]
    hows = [placed or one.placed or "depth-rod" for one in told]
    status, printed = 0, False
    for file, axis, how in zip(files, of_files, hows, strict=True):
        try:
            examination = examine_axis(read_table(file), card, axis, how, datum_look)
        except (BadFile, BadReadings) as failure:
            print_failure(failure, of=f"{shown(str(file))}: ")
            status = TunerError.exit_status
            continue
        if as_json:
            print_json(
                examination.as_json(file=str(file), axis=axis.name if axis is not None else None)
            )
            continue
        if printed:
            print()
        _print(examination, file, card, axis, how)
        printed = True
    return status


def _print(
    found: Examination, file: Path, card: Card | None, axis: Axis | None, placed: Place
) -> None:
    of = f": axis {axis.name.upper()} of {shown(card.name)}" if card and axis else ""
    print(f"{shown(str(file))}{of}")
    fit = found.fit
    visits = len(fit.datums_mm)
    print_sentence(
        f"{len(found.readings)} readings over {fit.span_mm:.1f} mm"
        + (f" in {visits} visits" if visits > 1 else "")
        + f"; {placed.replace('-', ' ')}: steps of {found.resolution_mm:g} mm, wrong by up to "
        f"{found.error_limit_mm:g} mm" + ("" if card else " (assumed: no card)")
    )
    print()
    print_columns(_numbers(found))
    print()
    print_columns(_budget(found))
    print_sentence(f"improve first: {found.outlook.improve_first}")
    if found.finding is None or not found.finding.value_known:
        print_sentence(found.outlook.says)
    print()
    _print_picture(found)
    _print_suspects(found)
    _print_motion(found)
    for what, why in found.as_json(file=None, axis=None)["not_tested"].items():
        print_sentence(f"not tested: {_IN_WORDS[what]}: {why}")
    print()
    _print_finding(found)


def _numbers(found: Examination) -> list[list[str]]:
    fit, scale = found.fit, found.scale
    k = student_t_factor(fit.dof)
    dof = f"{scale.dof:.0f}" if scale.dof < _MANY_DOF else "many"
    rows = [
        [
            "true / commanded travel",
            plus_minus(scale.value, scale.U),
            f"95 %: k = {scale.k:.2f}, {dof} degrees of freedom",
        ]
    ]
    if found.finding is not None:
        travel = found.finding.as_json(file=None, axis=None)["travel_per_rev_mm"]
        rows.append(
            [
                "mm per revolution",
                plus_minus(travel["measured"], travel["U"]),
                f"stored {travel['stored']:g}, the parts give {travel['expected']:g}",
            ]
        )
    if fit.play_mm is not None and fit.u_play_mm is not None:
        rows.append(["play, mm", plus_minus(fit.play_mm, k * fit.u_play_mm), "lost on reversal"])
    if fit.periodic is not None:
        rise = plus_minus(fit.periodic.amplitude_mm, k * fit.periodic.u_mm)
        period = fit.periodic.period_turns
        turns = "every turn" if period == 1.0 else f"every {period:g} turns"
        what = f"up and down with {turns} of the output shaft"
        rows.append(["amplitude, mm", rise, what])
    if fit.drift_mm_per_min is not None and fit.u_drift_mm_per_min is not None:
        drift = plus_minus(fit.drift_mm_per_min, k * fit.u_drift_mm_per_min)
        rows.append(["drift, mm per minute", drift, "with time, at one place"])
    return rows


def _budget(found: Examination) -> list[list[str]]:
    whole = found.scale.u_relative**2
    terms = sorted(found.scale.contributions, key=lambda one: -one.u_relative)
    rows = [["where the ± comes from", "u", "share"]]
    for one in terms:
        share = one.u_relative**2 / whole
        if share >= _LEAST_SHARE:
            percent = f"{100 * share:.0f} %" if share >= 0.01 else "< 1 %"
            rows.append([one.name, f"{100 * one.u_relative:.4f} %", percent])
    return rows


def _print_picture(found: Examination) -> None:
    marks = marks_for(sys.stdout.encoding)
    fit = found.fit
    print_sentence(
        "residuals: reading minus fit in mm, over the commanded position; the band holds 95 % of "
        "what this hand reads"
    )
    print_sentence(
        f"{marks.plus} arrived in plus direction, {marks.minus} in minus, {marks.unknown} not "
        f"known, {marks.mixed} several"
    )
    picture = residual_picture(
        found.fitted.commanded_mm,
        fit.residuals_mm,
        found.fitted.side,
        student_t_factor(fit.dof) * fit.s_mm,
        marks,
    )
    for line in picture:
        print(f"  {line}")
    print()


def _print_suspects(found: Examination) -> None:
    suspects = found.suspects or ()
    for one in suspects[:_MOST_SUSPECTS]:
        print_sentence(
            f"suspect: reading {one.row} shows {one.reading_mm:g} mm at {one.commanded_mm:g} mm, "
            f"the others put it at {one.expected_mm:.2f} ± {_SIGMAS * one.u_mm:.2f} mm"
            + (f"; {one.looks_like}" if one.looks_like else "")
        )
    if len(suspects) > _MOST_SUSPECTS:
        print_sentence(f"suspect: and {len(suspects) - _MOST_SUSPECTS} more readings")
    if found.set_aside:
        print_sentence("suspect readings are neither in the fit nor in the picture")
    if suspects:
        print()


def _print_motion(found: Examination) -> None:
    told = found.told
    jumps = found.motion.jumps
    for jump, sense in zip(jumps.found, told.senses, strict=True):
        print_sentence(
            f"jump: before reading {jump.before} by {jump.size_mm:+.2f} mm, u = {jump.u_mm:.2f} mm"
        )
        for one in sense.meanings:
            print_sentence(f"{100 * one.p:5.1f} %  {one.name}: {one.says}", indent="    ")
    if jumps.smallest_mm is not None:
        best_mm, worst_mm = jumps.smallest_mm
        print_sentence(
            ("a further jump" if jumps.found else "no jump; one")
            + f" of {best_mm:.2f} mm at the best place among these readings, of {worst_mm:.2f} mm "
            "at the worst, would be seen nineteen times in twenty"
        )
    left_out = found.as_json(file=None, axis=None)["left_out"]
    if left_out:
        print_sentence(f"left out of the fit: readings {', '.join(map(str, left_out))}")


def _print_finding(found: Examination) -> None:
    finding = found.finding
    if finding is None:
        print_sentence(f"no causes: {found.why_no_causes}")
        return
    causes = finding.as_json(file=None, axis=None)["causes"]
    for about in _HEADS:
        ones = [one for one in causes if one["about"] == about]
        # Each has odds of its own; where there is only one question nothing is to be kept apart.
        if ones and len(ones) < len(causes):
            print_sentence(_HEADS[about])
        for one in ones:
            print_sentence(f"{100 * one['p']:5.1f} %  {one['name']}: {one['says']}")
    if causes:
        print()
    print_sentence(f"verdict: {finding.verdict}")
    if finding.proposal is not None:
        was, becomes = finding.proposal.found, finding.proposal.forms
        for form in Form:
            new = becomes[form]
            print_sentence(
                f"{form_words(form)}: {plain_number(was[form])}, right would be "
                + (plain_number(new) if new is not None else "open, until the look")
            )
    print_sentence(f"next: {finding.next}")
