"""Printed parts: width offset, shrinkage and scale, where the sizes can split them."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from simulated_axis import BELT, BELT_STORED

from tuner.errors import BadFile, BadReadings
from tuner.metrology.examination import Described
from tuner.metrology.prints import (
    PrintedSizes,
    Sizes,
    axis_scale,
    judge_prints,
    parse_sizes,
)

SEEDS = 20
WANTED = (20.0, 60.0, 100.0)
BOTH = ("outside", "inside")
SURE = 0.95


def printed(
    seed: int,
    ratio: float = 1.0,
    offset_mm: float = 0.0,
    *,
    nominal_mm: Sequence[float] = WANTED,
    sides: Sequence[str] = BOTH,
    materials: Sequence[tuple[str | None, float]] = ((None, 1.0),),
    sigma_mm: float = 0.02,
) -> Sizes:
    """Parts as they come out, read with a caliper that is off by up to 0.03 mm at each length."""
    random = np.random.default_rng([seed, 20])
    rows = []
    for material, shrunk in materials:
        for size in nominal_mm:
            for side in sides:
                true_mm = ratio * shrunk * size + (offset_mm if side == "outside" else -offset_mm)
                read = true_mm + random.uniform(-0.03, 0.03) + random.normal(0.0, sigma_mm)
                rows.append((size, round(read, 2), side, "x", material))
    return Sizes(*zip(*rows, strict=True))


def judged(sizes: Sizes, measured: float | None = None) -> PrintedSizes:
    scales = None if measured is None else {"x": axis_scale(measured, 0.0006)}
    (found,) = judge_prints(sizes, resolution_mm=0.01, error_limit_mm=0.03, scales=scales)
    return found


def sure(found: PrintedSizes) -> set[str]:
    return {one["name"] for one in found.causes if one["p"] >= SURE}


def outcomes(measured: float | None = None, **world: object) -> Counter[tuple[object, ...]]:
    seen: Counter[tuple[object, ...]] = Counter()
    for seed in range(SEEDS):
        found = judged(printed(seed, **world), measured)
        seen[found.verdict, frozenset(sure(found)), found.tie] += 1
    return seen


@pytest.mark.parametrize(
    ("world", "measured", "verdict", "causes", "tie"),
    [
        ({"offset_mm": 0.2}, None, "keep", {"width-offset"}, ()),
        ({"offset_mm": 0.2}, 1.0, "keep", {"width-offset"}, ()),
        ({"offset_mm": -0.2}, None, "keep", {"width-offset"}, ()),
        ({"ratio": 0.994}, None, "cannot-tell", set(), ("scale", "shrinkage")),
        ({"ratio": 0.994}, 1.0, "keep", {"shrinkage"}, ()),
        ({"materials": [("A", 1.0), ("B", 0.994)]}, None, "keep", {"shrinkage"}, ()),
        (
            {"materials": [("A", 0.997), ("B", 0.99)]},
            None,
            "cannot-tell",
            {"shrinkage"},
            ("scale", "shrinkage"),
        ),
        ({"ratio": 0.994}, 0.994, "measure-again", set(), ()),
        ({"ratio": 1.01}, None, "measure-again", {"scale"}, ()),
        ({"ratio": 1.01}, 1.0, "keep", {"not-listed"}, ()),
        ({"ratio": 0.8, "offset_mm": 0.2}, None, "measure-again", {"scale", "width-offset"}, ()),
    ],
)  # fmt: skip
def test_every_seed_has_the_right_verdict(world, measured, verdict, causes, tie) -> None:
    assert outcomes(measured, **world) == {(verdict, frozenset(causes), tie): SEEDS}


def test_nothing_is_found_where_nothing_is_wrong() -> None:
    seen = outcomes()
    assert {key[0] for key in seen} == {"keep"}
    assert not any(key[1] - {"as-described"} for key in seen)


@pytest.mark.parametrize(
    ("measured", "tie"),
    [
        (None, ("scale", "shrinkage", "width-offset")),
        (1.0, ("shrinkage", "width-offset")),
    ],
)
def test_one_block_of_one_size_cannot_tell(measured: float | None, tie: tuple[str, ...]) -> None:
    block = Sizes([20.0] * 2, [19.60] * 2, ["outside"] * 2, ["x"] * 2, [None] * 2)
    found = judged(block, measured)
    assert (found.verdict, found.tie) == ("cannot-tell", tie)
    assert "print sizes 20, 60 and 100 mm, each with an outside and an inside" in found.next
    assert "100 mm will measure 98.00 mm outside, from a width offset 99.60 mm" in found.next
    (parts,) = found.parts
    assert (parts.ratio, parts.offset_mm) == (None, None)
    large = judged(replace(block, nominal_mm=[100.0] * 2, measured_mm=[98.0] * 2))
    assert "20 mm will measure 19.60 mm outside, from a width offset 18.00 mm" in large.next


def test_sizes_too_alike_are_not_called_right() -> None:
    found = judged(printed(1, nominal_mm=(20.0, 24.0), sides=("outside",)))
    assert found.verdict == "measure-again"
    assert "too uncertain" in found.next


def test_intervals_hold_what_they_promise() -> None:
    held = np.zeros(2)
    for seed in range(400):
        (parts,) = judged(printed(seed, 0.995, 0.1)).parts
        assert parts.ratio is not None
        assert parts.offset_mm is not None
        held += (
            abs(parts.ratio.value - 0.995) <= parts.ratio.U,
            abs(parts.offset_mm.value - 0.1) <= parts.offset_mm.U,
        )
    assert np.all(held / 400 >= 0.95)


def test_repeats_never_average_the_caliper_away() -> None:
    once, often = (
        judged(Sizes(list(WANTED) * n, list(WANTED) * n, ["outside"] * 3 * n, ["x"] * 3 * n,
                     [None] * 3 * n)).parts[0].ratio
        for n in (1, 1000)
    )  # fmt: skip
    # Caliper alone: 0.03 / root 3 at 20, 60, 100 mm is a slope of 0.0173 / root(3200)
    assert once.u > often.u
    often_expected = 0.03 / 3**0.5 / 3200**0.5
    assert often.u <= often_expected
    assert often.u * often.dof**0.5 >= often_expected


def test_the_order_of_the_sizes_does_not_matter() -> None:
    sizes = printed(3, 0.994, 0.1)
    order = np.random.default_rng(1).permutation(len(sizes))
    shuffled = Sizes(*([column[i] for i in order] for column in vars(sizes).values()))
    one, other = (judged(some).parts[0] for some in (sizes, shuffled))
    assert one.ratio.value == pytest.approx(other.ratio.value, rel=1e-12)
    assert one.offset_mm.u == pytest.approx(other.offset_mm.u, rel=1e-12)


@pytest.mark.parametrize("measured", [None, 0.8])
def test_the_parts_of_a_wrong_axis_are_named(measured: float | None) -> None:
    (found,) = judge_prints(
        printed(2, 0.8),
        resolution_mm=0.01,
        error_limit_mm=0.03,
        scales=None if measured is None else {"x": axis_scale(measured, 0.0006)},
        described={"x": Described(BELT, BELT_STORED, 200.0)},
    )
    names = [one["name"] for one in found.causes]
    assert next(name for name in names if name != "scale") == "pulley-teeth"
    assert ("scale" in names) == (measured is None)
    assert (found.verdict, found.as_json(file=None)["proposal"]) == ("measure-again", None)


def test_each_axis_is_judged_by_itself() -> None:
    x, other = printed(1, offset_mm=0.2), printed(2)
    both = Sizes(
        [*x.nominal_mm, *other.nominal_mm],
        [*x.measured_mm, *other.measured_mm],
        [*x.side, *other.side],
        [*x.axis, *[None] * len(other)],
        [*x.material, *other.material],
    )
    found = judge_prints(both, resolution_mm=0.01, error_limit_mm=0.03)
    assert [one.axis for one in found] == ["x", None]
    assert sure(found[0]) == {"width-offset"}
    assert not sure(found[1]) & {"width-offset"}


def test_it_is_plain_data_with_null_for_what_was_not_tested() -> None:
    seen = judged(printed(1, nominal_mm=(20.0,), sides=("inside",))).as_json(file="a.csv")
    assert json.loads(json.dumps(seen, allow_nan=False)) == seen
    assert seen["scale"] is None
    assert {"scale", "size_ratio", "width_offset_mm", "shrinkage"} <= set(seen["not_tested"])
    assert seen["materials"][0]["size_ratio"] is None


def test_larger_sizes_that_measure_smaller_are_refused() -> None:
    swapped = Sizes([20.0, 100.0], [100.1, 20.1], ["outside"] * 2, ["x"] * 2, ["A"] * 2)
    with pytest.raises(BadReadings, match="axis x, A: the larger the nominal size, the smaller"):
        judged(swapped)


@pytest.mark.parametrize(
    ("value", "U"), [(0.0, 0.1), (-1.0, 0.1), (1.0, 0.0), (1.0, 1.5), (float("nan"), 0.1)]
)
def test_an_axis_scale_that_is_none(value: float, U: float) -> None:
    with pytest.raises(BadReadings, match="expected true / commanded travel and its U"):
        axis_scale(value, U)


# --- files --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "nominal_mm,measured_mm,side,axis,material\n20,19.6,outside,X,pla\n100,98,INSIDE,x,PLA\n",
        "\ufeffnominal_mm;measured_mm;side;axis;material\r\n20;19,6;outside;x;PLA\r\n"
        "# the big one\r\n100;98,0;inside;x;PLA\r\n;;;;\r\n",
        'material,side,axis,measured_mm,nominal_mm\nPLA,outside,x,"19,6","20,0"\n'
        'PLA,inside,x,"98,0","100,0"\n',
    ],
)
def test_many_ways_to_write_the_same_two_sizes(text: str) -> None:
    assert parse_sizes(text.encode(), "a.csv") == Sizes(
        [20.0, 100.0], [19.6, 98.0], ["outside", "inside"], ["x", "x"], ["PLA", "PLA"]
    )


def test_axis_and_material_may_be_left_out() -> None:
    sizes = parse_sizes(b"nominal_mm,measured_mm,side\n20,19.6,outside\n", "a.csv")
    assert (sizes.axis, sizes.material) == ([None], [None])


HEADER = "nominal_mm,measured_mm,side,axis\n"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (HEADER + "20,19.6,left,x\n", "line 2: side is 'left'; expected outside or inside"),
        (HEADER + "20,19.6,,x\n", "line 2: side is ''; expected outside or inside"),
        (HEADER + "20,0,inside,x\n", "line 2: measured_mm is '0'; expected a length above 0 mm"),
        (HEADER + "-5,5,inside,x\n", "line 2: nominal_mm is '-5'; expected a length above 0"),
        (HEADER + "20,abc,inside,x\n", "line 2: measured_mm is 'abc'; expected a plain number"),
        (HEADER + f"20,20,inside,{'x' * 41}\n", "line 2: axis is 'xxxxxxx"),
        (HEADER, "there is no size below the header"),
        ("nominal_mm,measured_mm\n1,2\n", "side is missing; expected nominal_mm,measured_mm,side"),
        ("commanded_mm,reading_mm\n1,2\n", "'commanded_mm' is no column here; expected nominal_mm"),
        ("", "there is no header line; expected nominal_mm,measured_mm,side"),
    ],
)
def test_what_cannot_be_used_is_told_with_its_line(text: str, says: str) -> None:
    with pytest.raises(BadFile) as refused:
        parse_sizes(text.encode(), "a.csv")
    assert says in refused.value.findings[0]
    assert refused.value.findings[0].startswith("a.csv: ")
