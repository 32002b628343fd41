"""Shrinkage of plastics as moulders publish it is never taken for the scale of an axis.

Source: two public reference tables of moulders, in ``polymer_mould_shrinkage.toml``.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from tuner.metrology.prints import MOST_SHRINKAGE, Sizes, judge_prints

TABLES = tomllib.loads(
    Path(__file__).with_name("polymer_mould_shrinkage.toml").read_text(encoding="utf-8")
)
RANGES = [
    (f"{table}.{plastic}", percent)
    for table in ("table_a", "table_b")
    for plastic, percents in TABLES[table].items()
    for percent in percents
]


def test_the_most_that_any_plastic_shrinks() -> None:
    assert max(percent for _, percent in RANGES) / 100 == MOST_SHRINKAGE


@pytest.mark.parametrize(("plastic", "percent"), RANGES)
def test_published_shrinkage_never_becomes_a_scale(plastic: str, percent: float) -> None:
    sizes = [20.0, 60.0, 100.0, 20.0, 60.0, 100.0]
    ratio = 1 - percent / 100
    (found,) = judge_prints(
        Sizes(
            sizes,
            [round(ratio * size, 2) for size in sizes],
            ["outside"] * 3 + ["inside"] * 3,
            ["x"] * 6,
            [plastic] * 6,
        ),
        resolution_mm=0.01,
        error_limit_mm=0.03,
    )
    assert found.verdict == "cannot-tell"
    assert found.tie == ("scale", "shrinkage")
