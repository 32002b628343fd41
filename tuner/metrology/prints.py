"""Printed parts: what their sizes say about width offset, shrinkage and the scale of an axis.

Model for one axis and material: ``measured = s x nominal + w`` over outside faces and ``- w``
between inside ones; ``s = scale x (1 - shrinkage)``. The width offset w is by how much lines come
out too wide, over both faces together.

The rule: sizes of printed parts never change a stored number. They give s and w where the sizes
differ enough; scale and shrinkage go the same way, and only the axis itself splits them. What the
sizes cannot tell is said, with what to print and measure instead.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from tuner.errors import BadReadings
from tuner.metrology.budget import Scale
from tuner.metrology.causes import odds_in_words, weigh
from tuner.metrology.examination import Described
from tuner.metrology.least_squares import least_squares
from tuner.metrology.presence import p_present
from tuner.metrology.student import student_t_factor
from tuner.metrology.table import Layout, WrongCell, one_of, parse_rows, quoted, read_bytes
from tuner.metrology.unmeasured import without_fit
from tuner.metrology.verdict import Verdict

__all__ = [
    "Estimate",
    "Parts",
    "PrintedSizes",
    "Sizes",
    "axis_scale",
    "judge_prints",
    "parse_sizes",
    "read_sizes",
]

Where = Literal["outside", "inside"]

_LONGEST_MM = 1e6
_LONGEST_WORD = 40
# A hand seats a caliper on a printed wall to within this, one standard deviation (common
# practice, no source); it counts as this many readings beside those that were taken.
_HAND_MM = 0.03
_PRIOR_DOF = 8.0
# Inside jaws: what they are wrong by beyond the outside ones (common practice, no source).
_INSIDE_EXTRA_MM = 0.02
# The largest mould shrinkage in two public tables of moulders (a high-density polyethylene).
MOST_SHRINKAGE = 0.04
# How large these errors usually are, one standard deviation (common practice, no source): a line
# a fifth of a millimetre too wide, a plastic that shrinks by a percent.
_USUAL_OFFSET_MM = 0.2
_USUAL_DEVIATION = 0.01
_NO_DEVIATION_U = 2.5
_OFF_U = 3.0
_CONFIDENT = 0.95
_PRECISE_ENOUGH = 0.003
_MOST_PARTS = 3
_WORTH_NAMING = 0.05
# The sizes of a second part, to tell what shifts every size from what stretches it.
_SMALL_MM, _OTHER_MM = 20.0, 100.0

PRINT_INSTEAD = (
    "print sizes 20, 60 and 100 mm, each with an outside and an inside width, and measure all of "
    "them"
)
MEASURE_AXIS = "measure the axis itself with a caliper (tuner tune) and give its scale"
_NORMAL = student_t_factor(math.inf)


@dataclass(frozen=True)
class Sizes:
    """Sizes of printed parts, n of each column, in file order.

    nominal_mm, measured_mm : lengths in mm, above 0
    side : ``outside`` over two outer faces, ``inside`` between two inner ones
    axis, material : in lower and upper case, None where nobody wrote them down
    """

    nominal_mm: Sequence[float]
    measured_mm: Sequence[float]
    side: Sequence[Where]
    axis: Sequence[str | None]
    material: Sequence[str | None]

    def __len__(self) -> int:
        return len(self.nominal_mm)


def _length(file: Any, text: str) -> float:
    value: float = file.number(text, _LONGEST_MM)
    if not value > 0.0:
        raise WrongCell(f"is {quoted(text)}; expected a length above 0 mm")
    return value


def _axis(_: Any, text: str) -> str | None:
    if len(text) > _LONGEST_WORD:
        raise WrongCell(f"is {quoted(text)}; expected at most {_LONGEST_WORD} characters")
    return text.lower() or None


def _material(file: Any, text: str) -> str | None:
    name = _axis(file, text)
    return name.upper() if name else None


_LAYOUT = Layout(
    cells={
        "nominal_mm": _length,
        "measured_mm": _length,
        "side": one_of({"outside": "outside", "inside": "inside"}, "outside or inside"),
        "axis": _axis,
        "material": _material,
    },
    needed=("nominal_mm", "measured_mm", "side"),
    of="sizes",
    expected=("expected nominal_mm,measured_mm,side and, where they are known, axis and material"),
)


def read_sizes(path: Path) -> Sizes:
    """Return the sizes in the CSV file at `path`; raises ``BadFile`` as for readings."""
    return parse_sizes(read_bytes(path, _LAYOUT.of), str(path))


def parse_sizes(raw: bytes, source: str) -> Sizes:
    """Return the sizes in `raw`, the bytes of a CSV file called `source`.

    Raises ``BadFile`` with everything that is wrong, up to ten rows of it.
    """
    columns = parse_rows(raw, source, _LAYOUT)
    nobody = [None] * len(columns["nominal_mm"])
    return Sizes(**{"axis": nobody, "material": nobody, **columns})


@dataclass(frozen=True)
class Estimate:
    """A value, its standard uncertainty and ``U = k x u`` (95 %, Student's t)."""

    value: float
    u: float
    k: float
    dof: float

    @property
    def U(self) -> float:
        """Half the width of the 95 % interval."""
        return self.k * self.u

    @property
    def u_normal(self) -> float:
        """The standard deviation of a normal law with the same 95 % interval."""
        return self.U / _NORMAL

    def as_json(self) -> dict[str, float]:
        """Return it as plain data."""
        return {"value": self.value, "u": self.u, "U": self.U, "k": self.k, "dof": self.dof}


@dataclass(frozen=True)
class Parts:
    """The parts of one material along one axis.

    `ratio` is true size / nominal size without the width offset, and `offset_mm` that offset;
    both None where the sizes cannot split them: then `why_not` says why, and `foretold` what a
    second size would measure.
    """

    material: str | None
    n: int
    sizes_mm: tuple[float, ...]
    ratio: Estimate | None
    offset_mm: Estimate | None
    shrinkage: Estimate | None = None
    why_not: str = ""
    foretold: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return it as plain data; null is "not tested"."""
        return {
            "material": self.material,
            "n": self.n,
            "sizes_mm": list(self.sizes_mm),
            "size_ratio": self.ratio.as_json() if self.ratio else None,
            "width_offset_mm": self.offset_mm.as_json() if self.offset_mm else None,
            "shrinkage": self.shrinkage.as_json() if self.shrinkage else None,
        }


@dataclass(frozen=True)
class PrintedSizes:
    """What printed parts say about one axis.

    `causes` have the keys name, p, says, check. `tie` names what these sizes can never split:
    ``scale`` there stands for every cause of a wrong scale of the axis. `scale` is that of the axis
    itself, where it was measured.
    """

    axis: str | None
    parts: tuple[Parts, ...]
    scale: Scale | None
    verdict: Verdict
    next: str
    causes: tuple[Mapping[str, Any], ...]
    tie: tuple[str, ...] = ()
    not_tested: Mapping[str, str] = field(default_factory=dict)

    def as_json(self, *, file: str | None) -> dict[str, Any]:
        """Return one object with the keys of ``tuner examine --json`` and ``materials``."""
        n = sum(one.n for one in self.parts)
        base = without_fit(verdict=self.verdict, axis="", next=self.next, n=n)
        not_tested = dict.fromkeys(base["not_tested"], "sizes of printed parts do not show it")
        scale = None
        if self.scale is not None:
            not_tested.pop("scale")
            one = self.scale
            scale = {"value": one.value, "u": one.u, "U": one.U, "k": one.k, "dof": one.dof}
        return {
            **base,
            "file": file,
            "axis": self.axis,
            "scale": scale,
            "materials": [one.as_json() for one in self.parts],
            "causes": [
                {**one, "odds": odds_in_words(one["p"]), "looks": []} for one in self.causes
            ],
            "tie": list(self.tie),
            "not_tested": {**not_tested, **self.not_tested},
        }


def axis_scale(value: float, U: float) -> Scale:
    """Return the scale of an axis that was measured as `value`, 95 % within `U` of it.

    Raises ``BadReadings`` for what no axis has.
    """
    if not (0.0 < value < math.inf and 0.0 < U < value):
        raise BadReadings(
            f"an axis scale of {value:g} ± {U:g}; expected true / commanded travel and its U, both "
            "above 0, such as 1.0002,0.0005"
        )
    return Scale(value=value, u=U / _NORMAL, U=U, k=_NORMAL, dof=1e6)


# --- one material along one axis ----------------------------------------------------------------


def _fit(sizes: Sizes, rows: Sequence[int], step_mm: float, limit_mm: float) -> Parts:
    """Weighted least squares over the means of repeats.

    Repeats average the hand and the resolution away, never what the caliper is wrong by at that
    length (rectangular, JCGM 100 4.3.7). One variance factor for all, from the scatter of repeats
    and residuals, with a scaled-inverse-chi-square prior at 1.
    """
    axis, material = sizes.axis[rows[0]], sizes.material[rows[0]]
    measured = np.array([sizes.measured_mm[row] for row in rows])
    # Lengths are above 0: a sign keeps outside and inside apart.
    signed = [
        sizes.nominal_mm[row] * (1.0 if sizes.side[row] == "outside" else -1.0) for row in rows
    ]
    keys, group, counts = np.unique(signed, return_inverse=True, return_counts=True)
    means = np.bincount(group, weights=measured) / counts
    lengths = tuple(np.unique(np.abs(keys)).tolist())
    n = len(rows)
    if len(keys) < 2:
        return _one_size(material, n, lengths[0], sizes.side[rows[0]], float(means[0]))

    reading_mm2 = _HAND_MM**2 + step_mm**2 / 12.0
    limits_mm = limit_mm + _INSIDE_EXTRA_MM * (keys < 0.0)
    u_mm = np.sqrt(reading_mm2 / counts + limits_mm**2 / 3.0)
    design = np.column_stack([np.abs(keys), np.sign(keys)])
    solution = least_squares(design / u_mm[:, None], means / u_mm)
    residuals = (means - design @ solution.beta) / u_mm
    within_mm2 = float(np.sum((measured - means[group]) ** 2))
    dof = _PRIOR_DOF + n - 2
    factor = (_PRIOR_DOF + float(residuals @ residuals) + within_mm2 / reading_mm2) / dof
    u = np.sqrt(factor * np.sum(solution.root**2, axis=1))
    k = student_t_factor(dof)
    ratio, offset = (
        Estimate(float(value), float(one), k, dof)
        for value, one in zip(solution.beta, u, strict=True)
    )
    if not ratio.value > 0.0:
        whose = ", ".join(one for one in (axis and f"axis {axis}", material) if one)
        raise BadReadings(
            (f"{whose}: " if whose else "")
            + "the larger the nominal size, the smaller the measured one; expected both to grow "
            "together; look whether rows or columns were exchanged"
        )
    return Parts(material, n, lengths, ratio, offset)


def _one_size(material: str | None, n: int, size: float, side: Where, mean: float) -> Parts:
    other = _OTHER_MM if size < _OTHER_MM else _SMALL_MM
    return Parts(
        material,
        n,
        (size,),
        ratio=None,
        offset_mm=None,
        why_not=f"one size on one side ({size:g} mm {side}) splits nothing",
        foretold=f"from a wrong scale or shrinkage a part of {other:g} mm will measure "
        f"{other * mean / size:.2f} mm {side}, from a width offset {other + mean - size:.2f} mm",
    )


# --- what it means ------------------------------------------------------------------------------


def _less(one: Estimate, other: Estimate, over: float) -> Estimate:
    """``(one - other) / over``, both with their uncertainty; `over` is exact."""
    u = math.hypot(one.u, other.u) / over
    U = math.hypot(one.U, other.U) / over
    return Estimate((one.value - other.value) / over, u, U / u, min(one.dof, other.dof))


def _named(material: str | None) -> str:
    return f"the {material}" if material else "the plastic"


def _offset_cause(parts: Sequence[Parts]) -> list[Mapping[str, Any]]:
    offsets = [one.offset_mm for one in parts if one.offset_mm is not None]
    if not offsets:
        return []
    p, offset = max(
        ((p_present(one.value, one.u_normal, _USUAL_OFFSET_MM), one) for one in offsets),
        key=lambda pair: pair[0],
    )
    wide = "wide" if offset.value > 0.0 else "narrow"
    return [
        {
            "name": "width-offset",
            "p": p,
            "says": f"lines come out {abs(offset.value):.2f} ± {offset.U:.2f} mm too {wide} over "
            "both faces, at every size",
            "check": "measure the thickness of a wall one line wide: it is off by the same "
            "length; then look at the flow and the line width that the part was made with",
        }
    ]


def _explained(scale: Scale, described: Described) -> list[Mapping[str, Any]]:
    """What may be wrong with an axis of that scale."""
    weighed = weigh(scale, described.train, described.stored)
    return [
        {
            "name": " + ".join((one.name, *one.also)),
            "p": one.p,
            "says": one.says,
            "check": one.check,
        }
        for one in weighed.causes[:_MOST_PARTS]
        if one.p >= _WORTH_NAMING
    ]


def _shrinkage_cause(p: float, value: Estimate, material: str | None, than: str) -> dict[str, Any]:
    return {
        "name": "shrinkage",
        "p": p,
        "says": f"{_named(material)} ends {100 * value.value:.2f} ± {100 * value.U:.2f} % shorter "
        f"than {than}",
        "check": "print the same sizes of a second material, and measure again when the part is "
        "cold",
    }


def judge_prints(
    sizes: Sizes,
    *,
    resolution_mm: float,
    error_limit_mm: float,
    scales: Mapping[str | None, Scale] | None = None,
    described: Mapping[str, Described] | None = None,
) -> list[PrintedSizes]:
    """Return what `sizes` say, one finding an axis, in the order in which the axes come up.

    `resolution_mm` is the step of the caliper's display, `error_limit_mm` what its outside jaws
    may be wrong by. `scales` are those of axes that were measured themselves, by axis; the one
    under None is that of every axis that is not named. `described` says what an axis is made of;
    where its scale must be wrong, the parts that may explain it are named. Raises ``BadReadings``
    where larger sizes measure smaller.
    """
    known, made_of = scales or {}, described or {}
    rows: dict[str | None, dict[str | None, list[int]]] = {}
    for row in range(len(sizes)):
        rows.setdefault(sizes.axis[row], {}).setdefault(sizes.material[row], []).append(row)
    return [
        _judge(
            axis,
            [_fit(sizes, some, resolution_mm, error_limit_mm) for some in of_axis.values()],
            known.get(axis, known.get(None)),
            None if axis is None else made_of.get(axis),
        )
        for axis, of_axis in rows.items()
    ]


def _judge(
    axis: str | None, parts: Sequence[Parts], scale: Scale | None, described: Described | None
) -> PrintedSizes:
    not_tested = {}
    unsplit = [one for one in parts if one.ratio is None]
    if unsplit:
        not_tested["size_ratio"] = "; ".join(
            (f"{_named(one.material)}: " if one.material else "") + one.why_not for one in unsplit
        )
    if scale is None:
        not_tested["scale"] = "the axis itself was not measured"
        not_tested["shrinkage"] = "scale and shrinkage go the same way; " + MEASURE_AXIS
    measured = [one for one in parts if one.ratio is not None]
    if not measured:
        confounded = ("shrinkage", "width-offset")
        return PrintedSizes(
            axis=axis,
            parts=tuple(parts),
            scale=scale,
            verdict="cannot-tell",
            next=f"{PRINT_INSTEAD}; {parts[0].foretold}"
            + ("" if scale else "; to tell the scale of the axis from shrinkage, " + MEASURE_AXIS),
            causes=(),
            tie=confounded if scale else ("scale", *confounded),
            not_tested={**not_tested, "width_offset_mm": not_tested["size_ratio"]},
        )
    if scale is not None:
        verdict, words, causes, tie = _known_axis(measured, scale, described)
    else:
        verdict, words, causes, tie = _unknown_axis(measured, described)
    causes = [*causes, *_offset_cause(measured)]
    if not any(one["p"] >= _CONFIDENT for one in causes) and not tie:
        p = math.prod(1.0 - one["p"] for one in causes)
        causes.append(
            {
                "name": "as-described",
                "p": p,
                "says": "parts come out at the size they were drawn",
                "check": PRINT_INSTEAD,
            }
        )
    causes.sort(key=lambda one: -one["p"])
    offset_sure = any(one["name"] == "width-offset" and one["p"] >= _CONFIDENT for one in causes)
    if offset_sure:
        words += "; the width offset is set with flow or line width, never with the axis"
    return PrintedSizes(
        axis=axis,
        parts=tuple(_with_shrinkage(one, scale) if scale else one for one in parts),
        scale=scale,
        verdict=verdict,
        next=words,
        causes=tuple(causes),
        tie=tie,
        not_tested=not_tested,
    )


_Ruling = tuple[Verdict, str, list[Mapping[str, Any]], tuple[str, ...]]


def _with_shrinkage(parts: Parts, scale: Scale) -> Parts:
    if parts.ratio is None:
        return parts
    whole = Estimate(scale.value, scale.u, scale.k, scale.dof)
    return replace(parts, shrinkage=_less(whole, parts.ratio, scale.value))


def _known_axis(parts: Sequence[Parts], scale: Scale, described: Described | None) -> _Ruling:
    """The axis was measured itself: the number is judged by that, the parts show shrinkage."""
    causes: list[Mapping[str, Any]] = []
    for one in parts:
        shrinkage = _with_shrinkage(one, scale).shrinkage
        assert shrinkage is not None
        p = p_present(shrinkage.value, shrinkage.u_normal, _USUAL_DEVIATION)
        if shrinkage.value > 0.0:
            causes.append(_shrinkage_cause(p, shrinkage, one.material, "the axis travelled"))
        elif p >= _CONFIDENT:
            causes.append(
                {
                    "name": "not-listed",
                    "p": p,
                    "says": f"{_named(one.material)} comes out {-100 * shrinkage.value:.2f} % "
                    "longer than the axis travelled; plastic does not grow",
                    "check": "look at the scale set in the program that prepared the part, and "
                    "measure the axis once more",
                }
            )
    if abs(scale.value - 1.0) > _OFF_U * scale.u:
        words = (
            f"the axis itself travels {scale.value:.4f} of what it is told: put that right by its "
            "own readings (tuner tune, tuner examine), then print again"
        )
        if described is not None:
            causes += _explained(scale, described)
        return "measure-again", words, causes, ()
    words = "the axis travels what it is told: leave the stored number as it is"
    if any(one["name"] == "shrinkage" and one["p"] >= _CONFIDENT for one in causes):
        words += "; allow for shrinkage where the part is prepared, for this material alone"
    return "keep", words, causes, ()


def _unknown_axis(parts: Sequence[Parts], described: Described | None) -> _Ruling:
    """Nobody measured the axis: shrinkage can only make a part shorter, and the longest counts."""
    ratios = [(one.ratio, one.material) for one in parts if one.ratio is not None]
    longest, _ = max(ratios, key=lambda pair: pair[0].value)
    causes: list[Mapping[str, Any]] = []
    for ratio, material in ratios:
        if ratio is not longest:
            less = _less(longest, ratio, longest.value)
            p = p_present(less.value, less.u_normal, _USUAL_DEVIATION)
            causes.append(_shrinkage_cause(p, less, material, "the other material"))
    off = longest.value - 1.0
    p = p_present(off, longest.u_normal, _USUAL_DEVIATION)
    shown = f"parts come out {longest.value:.4f} ± {longest.U:.4f} of their nominal size"
    if p >= _CONFIDENT:
        if off > 0.0 or off < -MOST_SHRINKAGE - _NO_DEVIATION_U * longest.u_normal:
            why = (
                "no plastic grows" if off > 0.0 else f"no plastic shrinks {-100 * off:.1f} % alone"
            )
            causes.append(
                {"name": "scale", "p": p, "says": f"{shown}: {why}", "check": MEASURE_AXIS}
            )
            if described is not None:
                # The plastic may have shrunk by its usual percent as well.
                u = math.hypot(longest.u_normal, _USUAL_DEVIATION * longest.value)
                rough = Scale(longest.value, u, _NORMAL * u, _NORMAL, longest.dof)
                causes += _explained(rough, described)
            return "measure-again", f"{shown} and {why}: {MEASURE_AXIS}", causes, ()
        causes += [
            {"name": "scale", "p": p / 2, "says": shown, "check": MEASURE_AXIS},
            {"name": "shrinkage", "p": p / 2, "says": shown, "check": MEASURE_AXIS},
        ]
        words = (
            f"{shown}; a wrong scale and shrinkage give the same: {MEASURE_AXIS}, or print the "
            "same sizes of a material that shrinks less"
        )
        return "cannot-tell", words, causes, ("scale", "shrinkage")
    if longest.U > _PRECISE_ENOUGH:
        words = f"{shown}: too uncertain to call it right or wrong; {PRINT_INSTEAD}"
        return "measure-again", words, causes, ()
    if abs(off) > _NO_DEVIATION_U * longest.u_normal:
        return "measure-again", f"{shown}, which may be chance; {MEASURE_AXIS}", causes, ()
    words = (
        "no error of the scale is seen: leave the stored number as it is (a scale too large and "
        "shrinkage could cancel out; only the axis itself shows that)"
    )
    return "keep", words, causes, ()
