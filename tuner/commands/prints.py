"""``tuner prints``: what the sizes of printed parts say, with no machine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path

from tuner.card.read import read_card
from tuner.card.schema import Card
from tuner.commands.report import (
    print_columns,
    print_failure,
    print_json,
    print_sentence,
)
from tuner.drive.numbers import exact_number, plus_minus
from tuner.errors import BadFile, BadReadings, TunerError, UsedWrongly
from tuner.metrology.budget import Scale
from tuner.metrology.caliper import error_limit_mm
from tuner.metrology.examination import Described
from tuner.metrology.prints import (
    Estimate,
    PrintedSizes,
    Sizes,
    axis_scale,
    judge_prints,
    read_sizes,
)
from tuner.text import shown

# Without a card: the caliper most people have.
_USUAL_RANGE_MM = Fraction(150)
_USUAL_STEP_MM = Fraction("0.01")
_PERCENT = 100.0
_WORTH_PRINTING = 0.25
_IN_WORDS = {
    "scale": "scale",
    "shrinkage": "shrinkage",
    "size_ratio": "size / nominal size",
    "width_offset_mm": "width offset",
}


def prints(
    *,
    files: Sequence[Path],
    axis_scales: Sequence[str],
    card_path: Path | None,
    as_json: bool,
) -> int:
    """Print what the sizes in each of `files` say, axis by axis, in that order.

    `axis_scales` are typed as ``[A=]VALUE,U``. A file that cannot be used is told on standard error
    and the others still count. Returns 0, or 1 where there was such a file. Raises ``BadFile``
    for a wrong card and ``UsedWrongly`` for a scale that cannot be read.
    """
    scales = dict(_typed_scale(one) for one in axis_scales)
    card = None if card_path is None else read_card(card_path)
    step_mm = float(_USUAL_STEP_MM) if card is None else card.caliper.resolution_mm
    limit_mm = (
        float(error_limit_mm(_USUAL_RANGE_MM, _USUAL_STEP_MM))
        if card is None
        else card.caliper.error_limit_mm
    )
    status, printed = 0, False
    tables: list[tuple[Path, Sizes]] = []
    for file in files:
        try:
            tables.append((file, read_sizes(file)))
        except BadFile as failure:
            print_failure(failure)
            status = TunerError.exit_status
    _check_named(scales, [sizes for _, sizes in tables])
    for file, sizes in tables:
        try:
            findings = judge_prints(
                sizes,
                resolution_mm=step_mm,
                error_limit_mm=limit_mm,
                scales=scales,
                described=_described(card),
            )
        except BadReadings as failure:
            print_failure(failure, of=f"{shown(str(file))}: ")
            status = TunerError.exit_status
            continue
        for found in findings:
            if as_json:
                print_json(found.as_json(file=str(file)))
                continue
            if printed:
                print()
            caliper = f"caliper: steps of {step_mm:g} mm, wrong by up to {limit_mm:g} mm"
            _print(found, file, caliper + ("" if card else " (assumed: no card)"))
            printed = True
    return status


def _typed_scale(text: str) -> tuple[str | None, Scale]:
    """Return axis, None for every axis, and scale of ``[A=]VALUE,U`` or ``[A=]VALUE;U``."""
    axis, named, numbers = text.rpartition("=")
    value, _, uncertainty = numbers.partition(";" if ";" in numbers else ",")
    try:
        scale = axis_scale(float(exact_number(value)), float(exact_number(uncertainty)))
    except (ValueError, BadReadings) as failure:
        raise UsedWrongly(
            f"--axis-scale {shown(text)}: {failure}; expected true / commanded travel and its U, "
            "such as x=1.0002,0.0005"
        ) from None
    return (axis.strip().lower() if named else None), scale


def _check_named(scales: Mapping[str | None, Scale], tables: Sequence[Sizes]) -> None:
    there = {axis for sizes in tables for axis in sizes.axis}
    for axis in scales:
        if tables and axis is not None and axis not in there:
            named = ", ".join(sorted(shown(one) for one in there if one)) or "no axis"
            raise UsedWrongly(
                f"--axis-scale is for axis {shown(axis)}, and the sizes are of {named}; expected "
                "an axis of the column axis"
            )


def _described(card: Card | None) -> dict[str, Described]:
    """What the card says of the axes that alone move a part's size."""
    if card is None:
        return {}
    shared = ("x", "y") if card.layout == "coupled-belts" else ()
    return {
        name: Described(axis.train, axis.stored, axis.length_mm)
        for name, axis in card.axes.items()
        if name not in shared and axis.train.unit == "mm" and axis.filament is None
    }


def _print(found: PrintedSizes, file: Path, caliper: str) -> None:
    print(f"{shown(str(file))}" + (f": axis {shown(found.axis.upper())}" if found.axis else ""))
    n = sum(one.n for one in found.parts)
    print_sentence(f"{n} size{'s' * (n != 1)}; {caliper}")
    if found.scale is not None:
        print_sentence(f"the axis itself: {plus_minus(found.scale.value, found.scale.U)}")
    print()
    rows = [["material", "size / nominal", "width offset, mm", "shrinkage, %"]]
    rows += [
        [
            shown(one.material or "not given"),
            _cell(one.ratio),
            _cell(one.offset_mm),
            _cell(one.shrinkage, _PERCENT),
        ]
        for one in found.parts
    ]
    print_columns(rows)
    print()
    for what, why in found.not_tested.items():
        print_sentence(f"not tested: {_IN_WORDS[what]}: {shown(why)}")
    for one in found.causes:
        if one["p"] < _WORTH_PRINTING:
            continue
        print_sentence(f"{_PERCENT * one['p']:5.1f} %  {one['name']}: {shown(one['says'])}")
    if found.tie:
        print_sentence(f"these sizes do not split: {', '.join(found.tie)}")
    print()
    print_sentence(f"verdict: {found.verdict}")
    print_sentence(f"next: {shown(found.next)}")


def _cell(value: Estimate | None, times: float = 1.0) -> str:
    return "not tested" if value is None else plus_minus(times * value.value, times * value.U)
