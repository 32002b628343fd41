"""``tuner offset``: what a sudden offset, such as a shifted layer of a print, can be."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path

from tuner.card.read import read_card
from tuner.card.schema import Axis
from tuner.commands.report import print_json, print_sentence
from tuner.commands.typed_parts import axes_of, number_of
from tuner.drive.numbers import exact_mm
from tuner.drive.parts import Belt
from tuner.drive.scale import contradiction
from tuner.errors import UsedWrongly
from tuner.metrology.faults import check_of, splitting_look
from tuner.metrology.lattice import DatumLook, Offset, Sense, sense_of, told_from_u_mm
from tuner.text import shown

# A shifted layer is in the print: no datum and no caliper zero can have moved.
_ON_A_PRINT: DatumLook = "unmoved"
# What a person gives as plus or minus covers 95 %.
_COVERS = 2.0
_LARGEST_MM = 1000.0
# No caliper reads a printed edge any finer (common practice, no source).
_FINEST_MM = 0.05
# Shifts of a layer are shorter than this (common practice, no source).
_LONGEST_SHIFT_MM = 30.0


def offset(
    *,
    size: str,
    card_path: Path,
    axes: Sequence[str] | None,
    uncertainty: str,
    as_json: bool,
) -> int:
    """Print what an offset of `size` mm, plus or minus `uncertainty` mm, can be on an axis.

    Raises ``UsedWrongly`` for a number that is none, and for an axis that is not on the card or
    does not move in mm; ``BadFile`` for a wrong card.
    """
    size_mm, within_mm = _size_mm(size), float(number_of("--uncertainty", uncertainty))
    if within_mm >= abs(size_mm):
        raise UsedWrongly(
            f"an offset of {size_mm:g} mm, plus or minus {within_mm:g} mm, may be none at all; "
            "expected an --uncertainty below the offset; measure the shift with a caliper"
        )
    card = read_card(card_path)
    axis = _one_axis(axes_of(card, axes), [*card.axes])
    shared = card.layout == "coupled-belts" and axis.name in ("x", "y")
    # Of what one of two coupled belts loses, half shows along each of the two axes.
    share = 2.0 if shared else 1.0
    lost = Offset(share * size_mm, share * within_mm / _COVERS)
    sense = sense_of(lost, [axis.train], _ON_A_PRINT)
    advice = _next(size_mm, lost, sense, axis, None if shared else card_path)
    if as_json:
        print_json(
            {
                "axis": axis.name,
                "size_mm": size_mm,
                "u_mm": within_mm / _COVERS,
                "lost_cycle_mm": float(axis.train.lost_cycle_mm) / share,
                "belt_pitch_mm": _pitch_mm(axis, share),
                "as": sense.as_json(),
                "tie": [] if sense.sure else list(sense.left),
                "not_tested": dict(sense.not_tested),
                "next": advice,
            }
        )
        return 0
    print(f"{size_mm:g} ± {within_mm:g} mm: axis {axis.name.upper()} of {shown(card.name)}")
    steps = f"one lost cycle of the motor shows as {float(axis.train.lost_cycle_mm) / share:.4g} mm"
    pitch_mm = _pitch_mm(axis, share)
    print_sentence(
        steps if pitch_mm is None else f"{steps}, one tooth of the belt as {pitch_mm:g} mm"
    )
    if shared:
        print_sentence(
            "two belts move this axis together: half of what one of them loses shows here, and "
            "half along the other axis"
        )
    if (against := contradiction(axis.stored, axis.train)) is not None:
        print_sentence(
            f"the card contradicts itself, and what follows goes by its parts: {against}. Settle "
            "that first: tuner card check"
        )
    print()
    if abs(size_mm) <= _LONGEST_SHIFT_MM:
        _print_sense(sense)
    print_sentence(f"next: {advice}")
    return 0


def _print_sense(sense: Sense) -> None:
    so_far = ", as far as that could be tested" if sense.not_tested else ""
    print_sentence(f"what that offset can be{so_far}:")
    for one in sense.meanings:
        print_sentence(f"{100 * one.p:5.1f} %  {one.name}: {one.says}")
    for what, why in sense.not_tested.items():
        print_sentence(f"not tested: {what}: {why}")
    print()


def _size_mm(text: str) -> float:
    try:
        size_mm = float(exact_mm(text))
    except ValueError as wrong:
        raise UsedWrongly(f"the offset: {wrong}") from None
    if not 0.0 < abs(size_mm) <= _LARGEST_MM:
        raise UsedWrongly(
            f"an offset of {shown(text)}: expected mm other than 0, at most {_LARGEST_MM:g}; "
            "give the size of the shift"
        )
    return size_mm


def _one_axis(chosen: Sequence[Axis], names: Sequence[str]) -> Axis:
    if len(chosen) != 1:
        raise UsedWrongly(f"one axis at a time; choose it with --axis, one of {', '.join(names)}")
    (axis,) = chosen
    if axis.train.unit != "mm" or axis.filament is not None:
        raise UsedWrongly(
            f"axis {axis.name} {'turns' if axis.filament is None else 'feeds filament'}; expected "
            "one that moves in mm, so that a layer can be shifted"
        )
    return axis


def _pitch_mm(axis: Axis, share: float) -> float | None:
    drive = axis.train.drive
    return float(drive.pitch_mm) / share if isinstance(drive, Belt) else None


def _next(size_mm: float, lost: Offset, sense: Sense, axis: Axis, card_path: Path | None) -> str:
    """Say what to do next; `card_path` is None where an axis has no motor of its own to hunt on."""
    if abs(size_mm) > _LONGEST_SHIFT_MM:
        return (
            f"{size_mm:g} mm is a size, not a shift: layers shift by less than "
            f"{_LONGEST_SHIFT_MM:g} mm. Where a part comes out in the wrong size, tuner why leads "
            "on; where a layer is shifted, measure from face to face by how much"
        )
    sure, trains = sense.sure, [axis.train]
    if sure is None:
        steps = [splitting_look(lost.size_mm, sense.near, trains)]
        told_from_mm = _COVERS * told_from_u_mm(axis.train) * size_mm / lost.size_mm
        if sense.not_tested and told_from_mm >= _FINEST_MM:
            steps.insert(0, f"measure the shift to within {told_from_mm:.2g} mm, which may tell")
    else:
        steps = [check_of(sure.name, trains)]
    if card_path is not None:
        of = f"{shlex.quote(str(card_path))} --port PORT --axis {axis.name}"
        steps.append(f"then hunt for it, faster and faster: tuner tune {of} --test lost-steps")
    return "; ".join(steps) + ". Do not change the stored number: no number makes up for a shift"
