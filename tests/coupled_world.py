"""The Pack mule's belts, screws and table: which faults their procedures meet, what must be said.

A case is right when every axis that is measured ends with one of the verdicts allowed and names
nothing as likely but what is allowed; where it is to repair or to change it has to name that. It is
wrong and confident when it wants something changed or repaired that is sound, or names something
else for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import redirect_stdout
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path
from typing import Any

from cut_off import without_waiting_for_the_disk
from procedures_world import Held, findings_in, likely

from tuner import cli

_DECIDES = ("repair-first", "change")
_SOUND = {"as-described"}


def begin(home: Path, fault: str, axis: str, seed: int) -> int:
    """Hold a session on the Pack mule by itself, with a `fault` on `axis`."""
    asked = ["rehearse", "--hands-off", "--machine", "pack-mule", "--fault", fault, "--axis", axis]
    return cli.run(["--home", str(home), *asked, "--seed", str(seed)])


def hold(home: Path, fault: str, axis: str, seed: int) -> Held:
    """Hold a session; return what was said and found."""
    said = StringIO()
    with without_waiting_for_the_disk(), redirect_stdout(said):
        status = begin(home, fault, axis, seed)
    return Held(status, said.getvalue(), findings_in(home))


@dataclass(frozen=True)
class Case:
    """A fault on `axis`, the verdicts that are allowed for it, and for the other motor of belts.

    `names` is what may be named as likely, and must be where the axis is to be repaired or changed.
    """

    fault: str
    axis: str
    verdicts: tuple[str, ...]
    names: tuple[str, ...] = ()
    other: tuple[str, ...] = field(default=("keep",))

    def __str__(self) -> str:
        return f"{self.fault}-{self.axis}"

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
    *_both("eccentric-idler", "keep", *_OPEN, names=("periodic-elsewhere", "play")),
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


def _table(fault: str, *verdicts: str, names: tuple[str, ...] = ()) -> Case:
    return Case(fault, "c", verdicts, names)


TABLES = (
    *(
        _table(fault, "keep")
        for fault in ("none", "play", "torque-limit", "hot-driver", "speed-override")
    ),
    *(
        _table(part, "change", "cannot-tell", names=(part,))
        for part in ("step-angle", "microsteps", "gear-teeth", "stored-number")
    ),
    _table("inch-units", "repair-first", names=("inch-units",)),
    _table("wrong-way", "repair-first", names=("reversed",)),
    _table("not-powered", "repair-first", names=("not-powered",)),
    _table("motor-phase", "repair-first", names=("motor-phase",)),
)
CASES = (*BELTS, *SCREWS, *TABLES)
