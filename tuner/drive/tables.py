"""The parts that exist: standard sizes with their sources, and how common each one is.

A table maps a value to a relative weight: how much more often a part is met on a bench
than its neighbours. The sizes come from the standards named beside them; the weights are
common practice and have no source. They are a prior, not a limit: a part that is missing
here is unusual, not impossible.

Weights compare within one table only. Nobody may rely on the order of a table.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from fractions import Fraction
from typing import Generic, NamedTuple, TypeVar

from tuner.drive.parts import Screw

V = TypeVar("V")

COMMON_PRACTICE = "common practice, no source"


class Part(NamedTuple, Generic[V]):
    """One size of a part: how common it is, and who defined the size."""

    value: V
    weight: float
    source: str


class Table(Mapping[V, float]):
    """A read-only mapping of a size to its relative weight; `source` says where it is from.

    A size that several standards share appears once: its weights are added and its
    sources are named together.
    """

    def __init__(self, parts: Iterable[Part[V]]) -> None:
        self._parts: dict[V, Part[V]] = {}
        for part in parts:
            known = self._parts.get(part.value)
            if known is not None:
                sources = f"{known.source}; {part.source}"
                part = Part(part.value, known.weight + part.weight, sources)
            self._parts[part.value] = part

    def __getitem__(self, value: V) -> float:
        return self._parts[value].weight

    def __iter__(self) -> Iterator[V]:
        return iter(self._parts)

    def __len__(self) -> int:
        return len(self._parts)

    def source(self, value: V) -> str:
        """Return who defined the size `value`; raises ``KeyError`` for one not listed."""
        return self._parts[value].source


def _sizes(source: str, weights: Mapping[str, float]) -> list[Part[Fraction]]:
    return [Part(Fraction(size), weight, source) for size, weight in weights.items()]


def _screws(source: str, weights: Mapping[tuple[str, int], float]) -> list[Part[Screw]]:
    return [
        Part(Screw(Fraction(pitch), starts), weight, source)
        for (pitch, starts), weight in weights.items()
    ]


BELT_PITCHES_MM: Table[Fraction] = Table(
    [
        # 2 mm and 3 mm round-tooth belts are what small machines have.
        *_sizes(
            "ISO 13050 round-tooth systems; 2 mm and 3 mm " + COMMON_PRACTICE,
            {
                "2": 10,
                "3": 4,
                "5": 2,
                "8": 0.5,
                "14": 0.1,
                "20": 0.05,
            },
        ),
        # Codes MXL XXL XL L H XH XXH; 3.175 (XXL) from memory.
        *_sizes(
            "ISO 5296",
            {
                "2.032": 1,
                "3.175": 0.1,
                "5.08": 0.7,
                "9.525": 0.2,
                "12.7": 0.1,
                "22.225": 0.02,
                "31.75": 0.02,
            },
        ),
        *_sizes("ISO 17396", {"2.5": 1.5, "5": 1, "10": 0.5, "20": 0.05}),
    ]
)

# 16 and 20 teeth come with most 2 mm belts, multiples of four with most others.
_COMMON_TEETH = {
    12: 1,
    14: 1,
    15: 1.5,
    16: 8,
    18: 1.5,
    20: 10,
    24: 2,
    25: 1,
    28: 1,
    30: 2,
    32: 3,
    36: 3,
    40: 3,
    48: 1.5,
    60: 2.5,
}
_OTHER_TEETH = 0.4

PULLEY_TEETH: Table[int] = Table(
    Part(teeth, _COMMON_TEETH.get(teeth, _OTHER_TEETH), COMMON_PRACTICE) for teeth in range(12, 61)
)

# The key is a screw, that is a pitch and its starts: one lead can be two different screws.
SCREW_LEADS_MM: Table[Screw] = Table(
    [
        # Pitches of 8 to 28 mm diameters; 2 mm on 8 mm is common practice, not in the standard.
        *_screws(
            "ISO 2904",
            {
                ("1.5", 1): 1,
                ("2", 1): 4,
                ("3", 1): 1,
                ("4", 1): 1,
                ("5", 1): 0.5,
                ("8", 1): 0.2,
            },
        ),
        *_screws(
            "ISO 2904 pitch, starts " + COMMON_PRACTICE,
            {
                ("1.5", 2): 0.2,
                ("1.5", 4): 0.1,
                ("2", 2): 3,
                ("2", 4): 10,
                ("3", 2): 0.3,
                ("3", 4): 0.1,
                ("4", 2): 0.2,
                ("5", 2): 0.2,
                ("5", 4): 0.1,
            },
        ),
        # Threaded rod M3 to M24.
        *_screws(
            "ISO 261 coarse",
            {
                ("0.5", 1): 0.5,
                ("0.6", 1): 0.02,
                ("0.7", 1): 0.2,
                ("0.8", 1): 1.5,
                ("1", 1): 1.5,
                ("1.25", 1): 3,
                ("1.5", 1): 1,
                ("1.75", 1): 0.5,
                ("2", 1): 0.3,
                ("2.5", 1): 0.1,
                ("3", 1): 0.05,
            },
        ),
        # 2.5 5 10 16 20 25 32 40 seen in a maker's table, the others from memory.
        *_screws(
            "ISO 3408-2 ball screw leads",
            {
                ("1", 1): 0.5,
                ("2", 1): 1,
                ("2.5", 1): 0.5,
                ("3", 1): 0.2,
                ("4", 1): 4,
                ("5", 1): 8,
                ("6", 1): 0.3,
                ("8", 1): 0.3,
                ("10", 1): 5,
                ("12", 1): 0.2,
                ("16", 1): 1,
                ("20", 1): 2,
                ("25", 1): 0.5,
                ("32", 1): 0.2,
                ("40", 1): 0.2,
            },
        ),
        # 16 12 10 8 5 threads per inch.
        *_screws(
            "ASME B1.5",
            {
                ("1.5875", 1): 0.2,
                ("127/60", 1): 0.2,
                ("2.54", 1): 0.4,
                ("3.175", 1): 0.2,
                ("5.08", 1): 0.4,
            },
        ),
    ]
)

# Series 1 and the finer half of series 2 up to 6; values from memory.
MODULES_MM: Table[Fraction] = Table(
    _sizes(
        "ISO 54",
        {
            "0.5": 1,
            "0.8": 1,
            "1": 6,
            "1.25": 1,
            "1.5": 4,
            "1.75": 0.2,
            "2": 4,
            "2.25": 0.1,
            "2.5": 1,
            "2.75": 0.1,
            "3": 1,
            "3.5": 0.1,
            "4": 0.5,
            "4.5": 0.05,
            "5": 0.2,
            "6": 0.1,
        },
    )
)

# Two-phase motors; the table of full steps per turn is in motor makers' pages.
STEP_ANGLES_DEG: Table[Fraction] = Table(
    _sizes(
        COMMON_PRACTICE,
        {
            "1.8": 10,
            "0.9": 4,
            "3.6": 0.2,
            "7.5": 0.4,
            "15": 0.2,
        },
    )
)

MICROSTEPS: Table[int] = Table(
    Part(microsteps, weight, COMMON_PRACTICE)
    for microsteps, weight in {
        1: 2.0,
        2: 1.5,
        4: 2.0,
        8: 4.0,
        16: 10.0,
        32: 5.0,
        64: 1.5,
        128: 1.0,
        256: 1.5,
    }.items()
)
