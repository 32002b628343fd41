"""For notebooks and for other programs in Python: arrays in, dataclasses out.

``import tuner`` offers ``tuner.examine`` and ``tuner.axis_test``; neither moves anything,
writes anything or knows a port. This is also where a machine card and a table of readings meet:
``tuner examine`` and ``tuner.examine`` say the same.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

from tuner.card.read import read_card
from tuner.card.schema import Axis, Card
from tuner.errors import UsedWrongly
from tuner.metrology.axis_test import axis_test
from tuner.metrology.caliper import Place, error_limit_mm, placed_limit_mm
from tuner.metrology.examination import Described, Examination, examine_readings
from tuner.metrology.lattice import DatumLook
from tuner.metrology.reading import Approached, Columns
from tuner.metrology.table import ArrayLike, columns_of
from tuner.text import shown

__all__ = ["axis_on", "axis_test", "examine", "examine_axis"]

# Without a card: the caliper most people have.
_USUAL_RANGE_MM = Fraction(150)
_USUAL_STEP_MM = Fraction("0.01")


def examine(
    commanded_mm: ArrayLike,
    reading_mm: ArrayLike,
    *,
    approach: Sequence[Approached | None] | None = None,
    time_s: ArrayLike | None = None,
    visit: ArrayLike | None = None,
    card: Card | str | os.PathLike[str] | None = None,
    axis: str | None = None,
    placed: Place = "depth-rod",
    datum_look: DatumLook | None = None,
) -> Examination:
    """Return what the readings of one axis say: scale, play, uncertainty, causes and verdict.

    `commanded_mm` : (n,) float, where the axis was told to be, n >= 2, in the order taken.
    `reading_mm` : (n,) float, what the caliper showed there, from one fixed face, in mm.
    `approach` : n words, ``plus`` or ``minus``, the direction of the move by which the axis
    arrived, None where it is not known; without both of them play is not tested.
    `time_s` : (n,) float, seconds from any start. `visit` : (n,) int, rises whenever the position
    was lost or the caliper placed anew. `card` is a machine card or the path of one and `axis`
    a letter on it; without them there are no causes. `placed` says how the caliper was used.
    `datum_look` is what the closed jaws showed after a jump, ``unmoved`` or ``moved``.

    Model and formulas: least squares; budget after JCGM 100; see ``Fit`` and ``Scale``.

    Raises ``BadReadings`` for arrays that are no readings or show no scale, ``BadFile`` for a
    wrong card, ``UsedWrongly`` for an axis that is not on it.
    """
    readings = columns_of(commanded_mm, reading_mm, approach=approach, time_s=time_s, visit=visit)
    if card is None:
        if axis is not None:
            raise UsedWrongly("an axis is one of a card; give the card as well")
        return examine_axis(readings, None, None, placed, datum_look)
    if not isinstance(card, Card):
        card = read_card(Path(card))
    return examine_axis(readings, card, axis_on(card, axis), placed, datum_look)


def axis_on(card: Card, name: str | None) -> Axis:
    """Return the axis called `name`, or the only one of `card`; raises ``UsedWrongly``."""
    if name is None and len(card.axes) == 1:
        return next(iter(card.axes.values()))
    if name is None or name not in card.axes:
        what = "it takes one to say" if name is None else f"there is no axis {shown(name)}"
        raise UsedWrongly(
            f"the card of {shown(card.name)} has {', '.join(card.axes)}; {what}: name the axis "
            "that the readings are of"
        )
    return card.axes[name]


def examine_axis(
    readings: Columns,
    card: Card | None,
    axis: Axis | None,
    placed: Place,
    datum_look: DatumLook | None = None,
) -> Examination:
    """Return what `readings` say about `axis` of `card`, or, without one, by themselves.

    Raises ``BadReadings`` for readings that show no scale, and ``UsedWrongly`` for an axis
    that a caliper does not measure.
    """
    if card is None or axis is None:
        return examine_readings(
            readings,
            resolution_mm=float(_USUAL_STEP_MM),
            error_limit_mm=placed_limit_mm(
                float(error_limit_mm(_USUAL_RANGE_MM, _USUAL_STEP_MM)), placed
            ),
            why_no_causes="no machine card was given: causes need to know what the axis is made of",
            datum_look=datum_look,
        )
    if axis.train.unit != "mm" or axis.filament is not None:
        raise UsedWrongly(
            f"axis {axis.name} {'turns' if axis.filament is None else 'feeds filament'}; expected "
            "one of which a caliper reads the position in mm"
        )
    shared = card.layout == "coupled-belts" and axis.name in ("x", "y")
    return examine_readings(
        readings,
        resolution_mm=card.caliper.resolution_mm,
        error_limit_mm=placed_limit_mm(card.caliper.error_limit_mm, placed),
        grows=1 if axis.reading_grows == "plus" else -1,
        described=None if shared else Described(axis.train, axis.stored, axis.length_mm),
        why_no_causes=f"two belts move {axis.name} together: its readings alone name no motor",
        hold_time_s=card.hold_time_s,
        datum_look=datum_look,
    )
