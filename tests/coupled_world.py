"""The Pack mule's belts, screws and table: which faults their procedures meet, what must be said.

A case is right when every axis that is measured ends with one of the verdicts allowed and names
nothing as likely but what is allowed; where it is to repair or to change it has to name that. It is
wrong and confident when it wants something changed or repaired that is sound, or names something
else for it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, redirect_stdout
from dataclasses import dataclass, field, replace
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from cut_off import without_waiting_for_the_disk
from procedures_world import Held, findings_in, likely

from tuner import cli
from tuner.rehearsal.truth import HEALTHY, PACK_MULE, MachineTruth

_DECIDES = ("repair-first", "change")
_SOUND = {"as-described"}


Changed = Callable[[MachineTruth], MachineTruth]


@contextmanager
def changed(how: Changed) -> Iterator[None]:
    """The Pack mule is another one meanwhile, also where nothing is wrong with it."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setitem(HEALTHY, PACK_MULE, how(HEALTHY[PACK_MULE]))
        yield


def tied(free_deg: float) -> Changed:
    """A cable lets the table turn `free_deg` each way."""
    return lambda truth: truth.with_axis("c", range_mm=(-free_deg, free_deg))


def begin(home: Path, fault: str, axis: str, seed: int) -> int:
    """Hold a session on the Pack mule by itself, with a `fault` on `axis`."""
    asked = ["rehearse", "--hands-off", "--machine", "pack-mule", "--fault", fault, "--axis", axis]
    return cli.run(["--home", str(home), *asked, "--seed", str(seed)])


def as_it_is(truth: MachineTruth) -> MachineTruth:
    """Nothing is changed."""
    return truth


def hold(home: Path, fault: str, axis: str, seed: int, how: Changed = as_it_is) -> Held:
    """Hold a session on the machine that is `changed`; return what was said and found."""
    said = StringIO()
    with changed(how), without_waiting_for_the_disk(), redirect_stdout(said):
        status = begin(home, fault, axis, seed)
    return Held(status, said.getvalue(), findings_in(home))


@dataclass(frozen=True)
class Case:
    """A fault on `axis`, the verdicts that are allowed for it, and for the other motor of belts.

    `names` is what may be named as likely, and must be where the axis is to be repaired or changed.
    The machine is `changed`, which `named` says. Where `numbers` has the right steps per mm, what
    is proposed has to be that, measured, to 0.15 %.
    """

    fault: str
    axis: str
    verdicts: tuple[str, ...]
    names: tuple[str, ...] = ()
    other: tuple[str, ...] = field(default=("keep",))
    changed: Changed = as_it_is
    named: str = ""
    numbers: Mapping[str, float] | None = None

    def __str__(self) -> str:
        return "-".join(filter(None, (self.fault, self.axis, self.named)))

    def hold(self, home: Path, seed: int) -> Held:
        """Hold a session with this fault."""
        return hold(home, self.fault, self.axis, seed, self.changed)

    def wrong(self, findings: Mapping[str, dict[str, Any]]) -> list[str]:
        """Return what is not right, an axis a sentence."""
        return [
            f"{axis}: {one['verdict']}, likely {sorted(likely(one) - _SOUND)}"
            for axis, one in findings.items()
            if not self._is_right(axis, one)
        ]

    def _is_right(self, axis: str, finding: dict[str, Any]) -> bool:
        named = likely(finding) - _SOUND
        decides = finding["verdict"] in _DECIDES
        return (
            finding["verdict"] in self._allowed(axis)
            and named <= set(self.names)
            and (not decides or bool(named))
            and self._has_number(axis, finding["proposal"])
        )

    def _has_number(self, axis: str, proposal: Mapping[str, Any] | None) -> bool:
        if self.numbers is None or proposal is None:
            return True
        return proposal["basis"] == "measured" and math.isclose(
            proposal["steps_per_mm"], self.numbers[axis], rel_tol=0.0015
        )

    def is_confidently_wrong(self, findings: Mapping[str, dict[str, Any]]) -> bool:
        return any(
            one["verdict"] in _DECIDES
            and (one["verdict"] not in self._allowed(axis) or bool(self.wrong({axis: one})))
            for axis, one in findings.items()
        )

    def _allowed(self, axis: str) -> tuple[str, ...]:
        return self.verdicts if axis == self.axis else self.other


_BLUNT = ("keep", "measure-again")
_OPEN = ("measure-again", "cannot-tell")


def _both(fault: str, *verdicts: str, names: tuple[str, ...] = ()) -> tuple[Case, Case]:
    """A fault that shows in the moves of both axes, on either motor."""
    x, y = (Case(fault, axis, verdicts, names, verdicts) for axis in ("x", "y"))
    return x, y


def _motor(
    fault: str, *verdicts: str, names: tuple[str, ...], other: tuple[str, ...] = _BLUNT
) -> tuple[Case, Case]:
    """A fault of one motor, which is to be named, and not the other."""
    x, y = (Case(fault, axis, verdicts, names, other) for axis in ("x", "y"))
    return x, y


_GIVES = ("play", "loose-pulley")
_LOST = ("lost-steps", "belt-jump", "datum-moved", "not-listed", "motor-released")
BELTS = (
    *(
        one
        for fault in (
            "none", "torque-limit", "hot-driver", "slack-belt", "motor-released", "misread",
            "switch-scatter", "limit-clipped", "speed-override", "drift", "caliper-tilted",
        )
        for one in _both(fault, "keep")
    ),
    *(
        one
        for part in ("pulley-teeth", "step-angle", "microsteps", "stored-number")
        for one in _motor(part, "change", names=(part,))
    ),
    *_motor("belt-pitch", "change", *_OPEN, names=("belt-pitch", "not-listed")),
    *_both("play", "keep", names=("play",)),
    *_both("eccentric-pulley", "keep", *_OPEN, names=("eccentric-pulley", "play")),
    # What it bends a travel by is of no part; that it is named decides nothing.
    *_both("eccentric-idler", "keep", *_OPEN, names=("periodic-elsewhere", "play", "not-listed")),
    *_both("skew", "keep", *_OPEN, names=()),
    *_both(
        "loose-pulley", "keep", "repair-first", *_OPEN,
        names=(*_GIVES, "periodic-elsewhere", "drift", *_LOST),
    ),
    *_both("lost-steps", "cannot-tell", "keep", names=(*_LOST, *_GIVES)),
    *_both("belt-jump", *_OPEN, "keep", names=(*_LOST, *_GIVES)),
    # A face that is nudged between few readings also looks like a loss that differs each time.
    *_both("datum-moved", *_OPEN, "keep", names=(*_LOST, *_GIVES)),
    *_both("caliper-zero", "measure-again", names=(*_LOST, *_GIVES)),
    *_both("move-not-made", *_OPEN, names=("move-not-made",)),
    *_both("inch-units", "repair-first", names=("inch-units",)),
    *_both("wrong-way", "repair-first", names=("reversed",)),
    *_both("not-powered", "repair-first", names=("not-powered",)),
    *_both("motor-phase", "repair-first", names=("not-powered",)),
    *_both("swapped-plugs", "repair-first", names=("wrong-axis",)),
)  # fmt: skip


# No part makes a pitch of this kind: 1.0307 of what the card says.
_ODD = 1.0307
_RIGHT = 80.0 / _ODD


def _odd(*axes: str, checked: bool = False) -> Changed:
    """The belts of these motors are of an odd pitch; somebody has `checked` the guides."""

    def change(truth: MachineTruth) -> MachineTruth:
        for axis in axes:
            truth = truth.with_axis(axis, pitch_mm=2.0 * _ODD)
        return replace(truth, guides_checked=checked)

    return change


# So many readings now and then look like a drift, which does not touch the number.
_UNLISTED = ("not-listed", "drift")
MEASURED = (
    Case(
        "none", "x", ("change",), _UNLISTED, ("change",),
        changed=_odd("x", "y"), named="odd-both", numbers={"x": _RIGHT, "y": _RIGHT},
    ),
    *(
        Case(
            "none", axis, ("change",), _UNLISTED,
            changed=_odd(axis, checked=True), named="odd-checked", numbers={axis: _RIGHT},
        )
        for axis in ("x", "y")
    ),
    *(
        Case(
            "none", axis, ("cannot-tell",), _UNLISTED, _BLUNT,
            changed=_odd(axis), named="odd-not-checked",
        )
        for axis in ("x", "y")
    ),
    # Motors that differ, or guides off square: no second round tells.
    Case(
        "skew", "x", ("cannot-tell",), _UNLISTED, ("cannot-tell",),
        changed=_odd("x", "y"), named="odd-both",
    ),
    Case(
        "play", "x", ("change",), (*_UNLISTED, "play"), ("change",),
        changed=_odd("x", "y"), named="odd-both", numbers={"x": _RIGHT, "y": _RIGHT},
    ),
    Case(
        "misread", "x", ("change",), _UNLISTED, ("change",),
        changed=_odd("x", "y"), named="odd-both", numbers={"x": _RIGHT, "y": _RIGHT},
    ),
)  # fmt: skip


def _screw(fault: str, *verdicts: str, names: tuple[str, ...] = ()) -> Case:
    return Case(fault, "z", verdicts, names)


SCREWS = (
    *(
        _screw(fault, "keep")
        for fault in (
            "none", "play", "torque-limit", "hot-driver", "motor-released", "sinks", "misread",
            "switch-scatter", "speed-override", "caliper-tilted",
        )
    ),
    # A lost cycle of this screw is 0.04 mm, which no hand sees; a few look like a drift.
    _screw("lost-steps", "keep", "measure-again", names=("drift", "play")),
    _screw("drift", "keep", names=("drift", "play")),
    _screw("unlike-screws", "repair-first", names=("screw-lead",)),
    _screw("step-angle", "change", "cannot-tell", names=("step-angle",)),
    _screw("microsteps", "change", "cannot-tell", names=("microsteps",)),
    _screw(
        "stored-number", "change", *_OPEN, names=("stored-number", "not-listed", "microsteps")
    ),
    _screw("datum-moved", *_OPEN, "keep", names=(*_LOST, *_GIVES, "eccentric-pulley", "drift")),
    _screw(
        "caliper-zero", "measure-again", names=(*_LOST, *_GIVES, "eccentric-pulley", "drift")
    ),
    _screw("limit-clipped", *_OPEN, names=("limit-clipped", "move-not-made")),
    _screw("move-not-made", *_OPEN, names=("move-not-made",)),
    _screw("inch-units", "repair-first", names=("inch-units",)),
    _screw("wrong-way", "repair-first", names=("reversed",)),
    _screw("not-powered", "repair-first", names=("not-powered",)),
    _screw("motor-phase", "repair-first", names=("motor-phase",)),
    _screw("swapped-plugs", "repair-first", names=("wrong-axis",)),
)  # fmt: skip


def _table(fault: str, *verdicts: str, names: tuple[str, ...] = (), free_deg: float = 0.0) -> Case:
    if not free_deg:
        return Case(fault, "c", verdicts, names)
    return Case(fault, "c", verdicts, names, changed=tied(free_deg), named=f"tied-{free_deg:g}")


_TABLE_RUNS = ("none", "play", "torque-limit", "hot-driver", "misread", "speed-override")
_TABLE_PARTS = ("step-angle", "microsteps", "gear-teeth", "stored-number")


def _tables(free_deg: float, *sound: str) -> tuple[Case, ...]:
    """Every fault of a table; `sound` are the verdicts where nothing is wrong with its number.

    It turns `free_deg` each way, whole turns with 0.
    """
    return (
        *(_table(fault, *sound, free_deg=free_deg) for fault in _TABLE_RUNS),
        *(
            _table(part, "change", "cannot-tell", names=(part,), free_deg=free_deg)
            for part in _TABLE_PARTS
        ),
        _table("inch-units", "repair-first", names=("inch-units",), free_deg=free_deg),
        _table("wrong-way", "repair-first", names=("reversed",), free_deg=free_deg),
        _table("not-powered", "repair-first", names=("not-powered",), free_deg=free_deg),
        _table("motor-phase", "repair-first", names=("motor-phase",), free_deg=free_deg),
    )


# Whole turns are free; a long arc, which shows the radius itself; a short one, which does not.
TABLES, LONG_ARCS, SHORT_ARCS = (
    _tables(free_deg, *sound)
    for free_deg, sound in ((0.0, ("keep",)), (150.0, ("keep",)), (60.0, _BLUNT))
)
CASES = (*BELTS, *MEASURED, *SCREWS, *TABLES, *LONG_ARCS, *SHORT_ARCS)
