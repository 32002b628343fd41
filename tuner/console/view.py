"""What stays in its place on the screen while lines scroll by: state made of lines, no drawing.

The rule it keeps: nothing is known here that was not told in a line or typed as an answer, so
that the fixed rows and the lines above them cannot say different things.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from tuner.messages import Accepts, Go, Length, Line, Question

__all__ = ["Planned", "Residual", "View", "bar", "odds"]

STOP_KEY = "Ctrl-X stop"

_BAR_CELLS = 20
_NOT_WORTH_A_BAR_S = 1.0
_BETWEEN = " | "


@dataclass(frozen=True)
class Residual:
    """Reading `n`, at a commanded position, and how far it lies from the fit."""

    n: int
    at_mm: float
    approach: str
    left_mm: float


@dataclass(frozen=True)
class Planned:
    """One place of the reading plan; `n` is the reading taken there, 0 while it is due."""

    at_mm: float
    approach: str
    n: int


@dataclass
class View:
    """Where the session stands. ``take`` every line and ``answered`` every answer, in order.

    `port` is where the machine is, in words; empty where there is none.
    """

    port: str = ""
    temperatures: dict[str, str] = field(default_factory=dict)
    axis: str = ""
    under_way: bool = False
    _step: str = ""
    _group: str = ""
    _ahead: list[str] = field(default_factory=list)
    _seconds: float = 0.0
    _to_mm: str = ""
    _position_mm: dict[str, str] = field(default_factory=dict)
    _uncertainty: dict[str, str] = field(default_factory=dict)
    _places: dict[str, tuple[int, list[tuple[float, str]]]] = field(default_factory=dict)
    _reading: int = 0
    _what_is_read: str = ""
    _read: dict[str, dict[int, tuple[float, str]]] = field(default_factory=dict)
    _heat: str = ""

    # --- what comes in --------------------------------------------------------------------

    def take(self, line: Line) -> None:
        """Take in what `line` says; lines that say nothing about the state change nothing."""
        fields = dict(line.fields)
        match line.tag:
            case "STEP":
                self._step = (
                    f"Step {fields['step']} of {fields['of']} - {line.says}"
                    if {"step", "of"} <= fields.keys()
                    else line.says
                )
                if line.key == "leaving":
                    self._forget()
            case "MOVE" | "HEAT":
                self._announced(line, fields)
            case "CONFIRM":
                reported = {
                    name.removesuffix("_c"): value
                    for name, value in line.fields
                    if name.endswith("_c")
                }
                self.temperatures = reported or self.temperatures
            case "MOVED":
                self._position_mm[self.axis] = self._to_mm
                self._ended()
            case "HEATED":
                self.temperatures |= {fields["heater"]: fields["now_c"]}
                self._ended()
            case "READING":
                self._asked_to_read(fields)
            case "FIT":
                self._uncertainty[line.key.upper()] = fields.get("U", "")
            case "NOTE" if line.key.endswith("position-unknown"):
                self._forget()
            case "NOTE" if "places" in fields:
                planned = _parsed_places(fields["places"])
                self._places[line.key.partition(".")[0].upper()] = (self._reading, planned)
            case "NOTE" if "now_c" in fields:
                self._heat = line.says
                self.temperatures |= {fields["heater"]: fields["now_c"]}

    def _announced(self, line: Line, fields: dict[str, str]) -> None:
        if fields.get("group") != self._group:
            self._group, self._ahead, self._seconds = fields.get("group", ""), [], 0.0
        at_mm = fields.get("to_mm", "") if "by_mm" in fields else ""
        self._ahead.append(f"{float(at_mm):.2f}" if at_mm else line.says)
        self._seconds += float(fields.get("seconds", "0"))
        self._heat = line.says if line.tag == "HEAT" else ""
        if line.tag == "MOVE":
            self.axis = fields.get("axis", self.axis)
            self._to_mm = fields.get("to_mm", "")

    def _forget(self) -> None:
        """Forget where the axes stand and how warm they are: nobody looks any more."""
        self._position_mm.clear()
        self.temperatures = {}

    def _ended(self) -> None:
        self.under_way = False
        self._group, self._ahead, self._seconds, self._heat = "", [], 0.0, ""

    def _asked_to_read(self, fields: dict[str, str]) -> None:
        self.axis = fields.get("axis", self.axis)
        n = int(fields.get("n", "0"))
        self._what_is_read = f"reading {n} of {self.axis}" if n else f"zero check for {self.axis}"
        if not n:
            return
        self._reading = n
        taken = self._read.setdefault(self.axis, {})
        # A reading that is asked for anew was taken back, and so were those after it.
        for n in [n for n in taken if n >= self._reading]:
            del taken[n]
        if "at_mm" in fields:
            # Where it stands may have been declared anew since the last move.
            self._position_mm[self.axis] = fields["at_mm"]
            taken[self._reading] = (float(fields["at_mm"]), fields.get("approach", ""))

    def answered(self, question: Question) -> None:
        """Take in that `question` was answered by something that counts."""
        if isinstance(question.accepts, Go):
            self.under_way = True

    # --- what is shown --------------------------------------------------------------------

    def where(self) -> str:
        """Return which step of how many this is; empty before the first."""
        return self._step

    def what_next(self, accepts: Accepts | None) -> str:
        """Return what is going to happen when the open question is answered."""
        if isinstance(accepts, Go):
            return f"after your go: {self._announcement()}"
        if isinstance(accepts, Length) and accepts.is_reading:
            return f"{self._what_is_read}; nothing moves before the next go"
        return (
            f"nothing moves{' before a go of yours' if self.port else ': no machine is connected'}"
        )

    def _announcement(self) -> str:
        if not self._seconds:  # a search of the end switch, or heat: nobody knows how long
            return "; ".join(self._ahead)
        return f"{self.axis} to {', then '.join(self._ahead)} mm, about {self._seconds:.1f} s"

    def progress(self, elapsed_s: float, cells: tuple[str, str] = ("#", ".")) -> str:
        """Return how far what is under way has come, `elapsed_s` after it began.

        `cells` are what the done and the open part of a bar are drawn with.
        """
        if self._heat:
            return f"{self._heat}; {elapsed_s:.0f} s so far"
        if not self._seconds:
            return f"working, {elapsed_s:.0f} s so far" if elapsed_s >= _NOT_WORTH_A_BAR_S else ""
        if self._seconds < _NOT_WORTH_A_BAR_S:
            return f"{self.axis} moves"
        left_s = self._seconds - elapsed_s
        drawn = bar(elapsed_s / self._seconds, _BAR_CELLS, cells)
        if left_s <= 0:
            return f"{drawn} {self.axis}: waiting for the controller to say that it has ended"
        return f"{drawn} {self.axis} moves, about {max(1, round(left_s))} s left"

    def toolbar(self, width: int) -> str:
        """Return the last row: the stop key first, what else fits in `width` columns after it."""
        heat = ", ".join(f"{name} {_whole(value)} °C" for name, value in self.temperatures.items())
        at_mm = self._position_mm.get(self.axis)
        uncertainty = self._uncertainty.get(self.axis)
        parts = [
            STOP_KEY,
            f"{self.axis} at {float(at_mm):.2f} mm" if at_mm else self.axis,
            f"U {uncertainty}" if uncertainty else "",
            heat,
            self.port,
        ]
        row = ""
        for part in filter(None, parts):
            longer = f"{row}{_BETWEEN}{part}" if row else part
            if len(longer) > width:
                break
            row = longer
        return row

    # --- what is drawn as a picture -------------------------------------------------------

    def residuals(self, fit: Line) -> list[Residual]:
        """Return the residuals that a FIT line names, of readings asked for on this screen."""
        taken = self._read.get(fit.key.upper(), {})
        found = []
        for one in filter(None, dict(fit.fields).get("left_um", "").split(",")):
            n, _, left_um = one.partition(":")
            if int(n) in taken:
                found.append(Residual(int(n), *taken[int(n)], float(left_um) / 1000.0))
        return found

    def plan(self, axis: str) -> list[Planned]:
        """Return the places of the reading plan of `axis` in their order; empty before it."""
        before, places = self._places.get(axis.upper(), (0, []))
        taken = {n: one for n, one in self._read.get(axis.upper(), {}).items() if n > before}
        planned = []
        for at_mm, approach in places:
            n = next((n for n, place in taken.items() if place == (at_mm, approach)), 0)
            taken.pop(n, None)
            planned.append(Planned(at_mm, approach, n))
        return planned


def bar(share: float, cells: int, drawn_with: tuple[str, str]) -> str:
    """Return a bar of `cells` characters, `share` (0 to 1, else the nearer end) of it done."""
    done = round(min(1.0, max(0.0, share)) * cells)
    return drawn_with[0] * done + drawn_with[1] * (cells - done)


def odds(result: Line, field: str = "odds") -> Sequence[tuple[str, float]]:
    """Return the causes that a RESULT line names, each with its odds (0 to 1), in its order.

    Those of its `field`: ``odds`` are of what the number fits, ``wrong`` of what else is wrong.
    """
    pairs = (one.partition(":") for one in dict(result.fields).get(field, "").split(",") if one)
    return [(name, float(p)) for name, _, p in pairs]


def _parsed_places(text: str) -> list[tuple[float, str]]:
    return [
        (float(one[:-1]), "plus" if one.endswith("+") else "minus")
        for one in text.split(",")
        if one
    ]


def _whole(value: str) -> str:
    return f"{float(value):.0f}"
