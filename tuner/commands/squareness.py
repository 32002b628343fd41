"""``tuner squareness``: how square two axes are, from sides and diagonals; no machine."""

from __future__ import annotations

from collections.abc import Sequence

from tuner.commands.report import print_json, print_sentence
from tuner.commands.typed_parts import number_of
from tuner.errors import UsedWrongly
from tuner.metrology.squareness import Length, judge_squareness
from tuner.metrology.squareness import squareness as squareness_of
from tuner.text import shown

# What a person gives as plus or minus covers 95 %.
_COVERS = 2.0


def squareness(
    *,
    sides: Sequence[str],
    diagonals: Sequence[str],
    told: Sequence[str],
    axes: Sequence[str] | None,
    uncertainty: str,
    printed: bool,
    as_json: bool,
) -> int:
    """Print how square a frame is whose `sides` and `diagonals` were measured, in mm.

    The first diagonal begins at the corner where both axes begin. Raises ``UsedWrongly`` for a
    number that is none or other than two axes, ``BadReadings`` for lengths that no frame has.
    """
    along = tuple(axes or ("x", "y"))
    if len(along) != 2 or along[0] == along[1]:
        raise UsedWrongly(
            f"--axis {', '.join(map(shown, along))}: a frame lies along two axes; name both, in "
            "the order of the sides"
        )
    u_mm = float(number_of("--uncertainty", uncertainty)) / _COVERS
    a, b = (Length(float(number_of("--sides", one)), u_mm) for one in sides)
    d1, d2 = (Length(float(number_of("--diagonals", one)), u_mm) for one in diagonals)
    told_mm = [float(number_of("--told", one)) for one in told]
    seen = squareness_of(d1=d1, d2=d2, a=a, b=b, nominal_a_mm=told_mm[0], nominal_b_mm=told_mm[1])
    judged = judge_squareness(seen, told_mm, printed=printed, axes=(along[0], along[1]))
    if as_json:
        print_json({"axes": [*along], **seen.as_json(), **judged})
        return 0
    print(f"verdict: {judged['verdict']}")
    print_sentence(judged["says"])
    print_sentence(f"next: {judged['next']}")
    return 0
