"""The gate: the only way from a wanted move to a motion line, and from wanted heat to a heater.

``plan`` turns a wanted approach into groups of at most four lines, checked against the
envelope. ``admit`` shows a caution and the move for every line, forgets what was typed
before, asks for ``go``, and only then hands out the permit. The gate also keeps where each
axis stands, because a move can only be judged from a known place. ``admit_heat`` does the same
for one heater: up to the temperature that the card allows its feeder, at the machine's own
cable, watched, and never while an axis is being measured. The feeder alone may move while what
this session heated is hot, and with it the places of all other axes are given up. Two axes that
coupled belts move together are judged together: both envelopes hold for a move of either.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

from tuner.answers import parse
from tuner.card.dialect import Dialect
from tuner.card.schema import Axis
from tuner.errors import BadAnswer, Defect, HeatRefused, OutsideEnvelope, PositionUnknown
from tuner.messages import Approach, Clock, Go, Heat, Limits, Line, Person, Question, Reference
from tuner.safety.cautions import CautionBook, Hazard, heat_caution
from tuner.safety.envelope import check_inside, is_near_end
from tuner.safety.heat import UNATTENDED_S, Heaters, HeatWatch, check_cold
from tuner.safety.permit import Permit, Warrant
from tuner.text import shown

LINES_PER_GROUP = 4
WORST_SCALE = 25.4  # a controller that counts in inches (NIST SP 811)
READ_WITHIN = 4.0  # bounds on the scale closer than this come from readings
SLOW_MM_PER_MIN = 600.0  # 10 mm/s in truth, until the scale was read
LONGEST_LINE_S = 2.0  # where the dialect has no immediate stop, this much can run on
_SEARCH_SECONDS = 60.0
_DECIMALS = 4
_MOST_SHOWN = 4  # temperatures beside a question


@dataclass(frozen=True)
class Move:
    """One motion line: what is sent, what it does, how long it should take.

    `by_mm` is None for a search of the end switch at the end `search` of the axis.
    """

    line: str
    axis: str
    by_mm: float | None
    to_mm: float
    feed_mm_per_min: float
    seconds: float
    toward: str = ""
    search: str = ""


@dataclass(frozen=True)
class Group:
    """The moves of one consent."""

    number: int
    key: str
    axis: str
    moves: tuple[Move, ...]

    @property
    def seconds(self) -> float:
        """How long the whole group should take, in s."""
        return sum(move.seconds for move in self.moves)


def duration_s(length_mm: float, feed_mm_per_min: float, acceleration_mm_per_s2: float) -> float:
    """Return the time in s of one move from rest to rest with constant acceleration."""
    length, speed = abs(length_mm), feed_mm_per_min / 60.0
    if length * acceleration_mm_per_s2 < speed * speed:
        return 2.0 * math.sqrt(length / acceleration_mm_per_s2)
    return length / speed + speed / acceleration_mm_per_s2


def _decimal(value: float) -> str:
    return f"{value:.{_DECIMALS}f}".rstrip("0").rstrip(".")


class Gate:
    """Knows the axes, where they stand and where they may go; lets moves through."""

    def __init__(
        self,
        axes: Mapping[str, Axis],
        dialect: Dialect,
        clock: Clock,
        *,
        network: bool = False,
        coupled: bool = False,
    ) -> None:
        """`network` says that the port leads over a network, over which nothing is heated.

        `coupled` says that two belts move x and y together, so that a move of one may slant.
        """
        self._network = network
        self._beside = {"x": "y", "y": "x"} if coupled else {}
        self._axes = axes
        self._dialect = dialect
        self._clock = clock
        self._book = CautionBook()
        self._limits: dict[str, Limits] = {}
        self._at_mm: dict[str, float] = {}
        self._groups = 0
        self._has_heated = False

    @property
    def steps_mm(self) -> Mapping[str, float]:
        """One step of each axis, in commanded mm: no axis can come closer to a place than that."""
        return {name: float(1 / axis.stored_steps_per_mm) for name, axis in self._axes.items()}

    def learn(self, limits: Limits) -> None:
        """Replace what is known about where `limits.axis` may go, and stands.

        Raises ``Defect`` for a scale taken for known before the axis was seen to move.
        """
        if not limits.direction_seen and limits.scale_high < WORST_SCALE:
            raise Defect(
                f"{limits.axis.upper()} was not seen to move yet, and its scale is taken for at "
                f"most {limits.scale_high:g}; until then it may be {WORST_SCALE:g}"
            )
        if limits.axis in self._beside and not limits.direction_seen:
            limits = replace(limits, slant=max(limits.slant, WORST_SCALE))
        if self.is_feeder(limits.axis):
            # It may be heated for, and then nothing else moves.
            for other in self._limits.keys() - {limits.axis}:
                del self._limits[other]
                self._at_mm.pop(other, None)
        self._limits[limits.axis] = limits
        if limits.at_mm is not None:
            self._at_mm[limits.axis] = limits.at_mm

    def forget_positions(self) -> None:
        """Every position is unknown from now on; limits must be declared again."""
        self._at_mm.clear()
        self._limits.clear()
        self._book = CautionBook()  # hands may have been in the machine: all is new again

    def is_feeder(self, axis: str) -> bool:
        """Say whether `axis` feeds filament."""
        return self._axes[axis].filament is not None

    def unit_of(self, axis: str) -> str:
        """Return ``mm``, or ``deg`` for an axis that turns."""
        return self._axes[axis].train.unit

    def check_heat(self, axis: str, heaters: Heaters) -> None:
        """Raise ``TooHot`` where it is too hot to move `axis`; a feeder may after its heating."""
        if not (self._has_heated and self.is_feeder(axis)):
            check_cold(heaters)

    def position_mm(self, axis: str) -> float | None:
        """Return the commanded position of `axis` in mm, or None when it is unknown."""
        return self._at_mm.get(axis)

    def plan(self, wanted: Approach | Reference) -> list[Group]:
        """Return the groups of moves for `wanted`; an empty list when it stands there.

        Raises ``PositionUnknown`` and ``OutsideEnvelope``; nothing has been shown then.
        """
        if isinstance(wanted, Reference):
            return [self._group(wanted.key, wanted.axis, [self._search(wanted)])]
        moves = self._moves(wanted)
        starts = range(0, len(moves), LINES_PER_GROUP)
        return [
            self._group(wanted.key, wanted.axis, moves[start : start + LINES_PER_GROUP])
            for start in starts
        ]

    def admit(self, group: Group, person: Person, heaters: Heaters) -> Permit:
        """Show every caution and move of `group`, ask for ``go``, return the permit.

        Raises ``TooHot`` before anything is shown, ``Stopped`` on the person's stop.
        """
        self.check_heat(group.axis, heaters)
        count = len(group.moves)
        for number, move in enumerate(group.moves, 1):
            place = (("group", str(group.number)), ("line", str(number)), ("of", str(count)))
            axis = self._axes[move.axis]
            hazard = Hazard(
                move.axis,
                move.by_mm,
                move.feed_mm_per_min,
                axis.vertical,
                axis.moves,
                move.toward,
                feeds=self.is_feeder(move.axis),
                beside=self._beside.get(move.axis, ""),
                unit=self.unit_of(move.axis),
            )
            caution = self._book.caution(hazard, heaters)
            fields = (("word", caution.word), *place)
            person.tell(Line("CAUTION", group.key, fields, caution.text))
            in_words = _in_words(move, hazard.unit)
            person.tell(Line("MOVE", group.key, (*_move_fields(move), *place), in_words))
        _await_go(person, group.key, group.number, Go(), _patience_s(heaters), heaters)
        lines = tuple(move.line for move in group.moves)
        return Permit(group.number, lines, group.seconds, self._clock.now_s())

    def admit_heat(
        self, wanted: Heat, person: Person, heaters: Heaters
    ) -> tuple[Warrant, HeatWatch]:
        """Show the caution for `wanted`, ask for ``go``, return the warrant and who watches.

        Raises ``HeatRefused`` where it may not be heated and ``HeatFault`` where it cannot be
        watched, before anything is shown; ``Stopped`` on the person's stop.
        """
        line, cap_c = self._heat_line(wanted)
        watch = HeatWatch(wanted.heater, wanted.target_c, cap_c)
        watch.look(heaters, self._clock.now_s(), is_on=False)
        self._groups += 1
        place = (("group", str(self._groups)), ("line", "1"), ("of", "1"))
        caution = heat_caution(wanted.heater, wanted.target_c, heaters)
        person.tell(Line("CAUTION", wanted.key, (("word", caution.word), *place), caution.text))
        fields = (("heater", wanted.heater), ("target_c", str(wanted.target_c)))
        says = f"{wanted.heater} to {wanted.target_c} °C"
        person.tell(Line("HEAT", wanted.key, (*fields, *place), says))
        _await_go(person, wanted.key, self._groups, Go("heat"), _patience_s(heaters))
        self._has_heated = True
        return Warrant(self._groups, line, self._clock.now_s()), watch

    def arrived(self, group: Group) -> None:
        """Record that every move of `group` has ended."""
        self._at_mm[group.axis] = group.moves[-1].to_mm

    def _heat_line(self, wanted: Heat) -> tuple[str, float]:
        """Return the line that heats and the highest temperature allowed; ``HeatRefused``."""
        template = getattr(self._dialect.heat, wanted.heater)
        caps_c = [axis.filament.max_temperature_c for axis in self._axes.values() if axis.filament]
        if self._network:
            why = "the port leads over a network; connect the machine by its own cable"
        elif not all(map(self.is_feeder, self._limits)):
            why = (
                "an axis is being measured, which is cold work; end this session, and heat in "
                "one of its own"
            )
        elif template is None:
            why = f"the dialect {shown(self._dialect.name)} has no word for it; use another dialect"
        elif not caps_c:
            why = "the card has no feeder; write one with its max_temperature_c into the card"
        elif not (isinstance(wanted.target_c, int) and 1 <= wanted.target_c <= min(caps_c)):
            why = f"the card allows whole degrees up to {min(caps_c):g}; choose one of those"
        else:
            return template.replace("{target}", str(wanted.target_c)), min(caps_c)
        raise HeatRefused(f"the {wanted.heater} is not heated to {wanted.target_c} °C: {why}")

    def _group(self, key: str, axis: str, moves: list[Move]) -> Group:
        self._groups += 1
        return Group(self._groups, key, axis, tuple(moves))

    def _known(self, axis: str) -> tuple[float, Limits]:
        at_mm, limits = self._at_mm.get(axis), self._limits.get(axis)
        if at_mm is None or limits is None:
            raise PositionUnknown(
                f"where {axis.upper()} stands is not known; declare its free travel first"
            )
        return at_mm, limits

    def _moves(self, wanted: Approach) -> list[Move]:
        at_mm, limits = self._known(wanted.axis)
        target = round(wanted.to_mm, _DECIMALS)
        side = 1.0 if wanted.approach == "plus" else -1.0
        before = round(target - side * wanted.over_mm, _DECIMALS)
        ahead_mm = side * (target - at_mm)
        detour = wanted.over_mm > 0 and (wanted.fresh or ahead_mm < wanted.over_mm)
        moves: list[Move] = []
        for stop_mm in (before, target) if detour else (target,):
            moves += self._leg(wanted, at_mm, stop_mm, limits)
            at_mm = stop_mm
        return moves

    def _leg(self, wanted: Approach, from_mm: float, to_mm: float, limits: Limits) -> list[Move]:
        if from_mm == to_mm:
            return []
        beside_mm = self._check_free(limits, to_mm)
        if not 0.0 < round(wanted.feed_mm_per_min, _DECIMALS) < math.inf:
            raise Defect(
                f"a feed of {wanted.feed_mm_per_min} mm/min cannot be sent; expected more than 0"
            )
        is_read = limits.scale_high <= limits.scale_low * READ_WITHIN
        truly = round(wanted.feed_mm_per_min * limits.scale_high, _DECIMALS)
        if not is_read and truly > SLOW_MM_PER_MIN:
            raise Defect(
                f"{wanted.feed_mm_per_min:g} mm/min is too fast for {wanted.axis.upper()} before "
                f"its scale was read: it may be {truly:.0f} mm/min"
            )
        axis = self._axes[wanted.axis]
        if axis.filament and wanted.feed_mm_per_min > axis.filament.max_feed_mm_per_s * 60.0:
            raise Defect(
                f"{wanted.feed_mm_per_min:g} mm/min is more than the card lets {axis.name.upper()} "
                f"feed, {axis.filament.max_feed_mm_per_s:g} mm/s"
            )
        acceleration = axis.acceleration_mm_per_s2
        length = to_mm - from_mm
        pieces = 1
        if self._dialect.stop is None or not self._dialect.stop.immediate:
            while (
                duration_s(length / pieces, wanted.feed_mm_per_min, acceleration) > LONGEST_LINE_S
            ):
                pieces += 1
        ends = [round(from_mm + length * k / pieces, _DECIMALS) for k in range(pieces + 1)]
        moves = []
        has_ends = axis.filament is None
        for start, end in pairwise(ends):
            by_mm = round(end - start, _DECIMALS)
            near_end = has_ends and is_near_end(limits, end, beside_mm)
            word = f"{wanted.axis.upper()}{_decimal(by_mm)}"
            moves.append(
                Move(
                    line=f"G1 {word} F{_decimal(wanted.feed_mm_per_min)}",
                    axis=wanted.axis,
                    by_mm=by_mm,
                    to_mm=end,
                    feed_mm_per_min=wanted.feed_mm_per_min,
                    seconds=duration_s(by_mm, wanted.feed_mm_per_min, acceleration),
                    toward="the end of its free travel" if near_end else "",
                )
            )
        return moves

    def _check_free(self, limits: Limits, to_mm: float) -> float:
        """Raise ``OutsideEnvelope`` unless a move there is free, for every axis that it may move.

        Return how far the other axis of coupled belts may have displaced this one, in true mm.
        """
        other = self._beside.get(limits.axis)
        if other is None:
            check_inside(limits, to_mm)
            return 0.0
        other_mm, other_limits = self._known(other)
        beside_mm = other_limits.slant * abs(other_mm)
        check_inside(limits, to_mm, beside_mm)
        check_inside(other_limits, other_mm, limits.slant * abs(to_mm))
        return beside_mm

    def _search(self, wanted: Reference) -> Move:
        _, limits = self._known(wanted.axis)
        if wanted.axis in self._beside:
            raise OutsideEnvelope(
                f"{wanted.axis.upper()} may not search its switch: on coupled belts the other axis "
                "may run along with it; declare the free travel instead"
            )
        if self._dialect.reference is None:
            raise OutsideEnvelope(
                f"the dialect {self._dialect.name} has no word that searches an end switch; "
                "declare the free travel instead"
            )
        if not limits.direction_seen:
            raise OutsideEnvelope(
                f"{wanted.axis.upper()} may not search its switch before its direction was watched"
            )
        return Move(
            line=self._dialect.reference.replace("{axis}", wanted.axis.upper()),
            axis=wanted.axis,
            by_mm=None,
            to_mm=wanted.position_mm,
            feed_mm_per_min=self._axes[wanted.axis].feed_mm_per_min,
            seconds=_SEARCH_SECONDS,
            toward="its end switch",
            search=self._axes[wanted.axis].reference.at,
        )


def _patience_s(heaters: Heaters) -> float | None:
    """Return how long an answer may take, None for ever: what is hot is not left alone."""
    return UNATTENDED_S if any(heater.target_c for heater in heaters or ()) else None


def _await_go(
    person: Person,
    key: str,
    group: int,
    go: Go,
    patience_s: float | None = None,
    reported: Heaters = None,
) -> None:
    """Forget what was typed before, and ask until the answer is ``go``."""
    person.discard_pending()
    warm = tuple((f"{one.place.replace(' ', '-')}_c", f"{one.now_c:.0f}") for one in reported or ())
    line = Line("CONFIRM", key, (("group", str(group)), *warm[:_MOST_SHOWN]), "answer go or stop")
    while True:
        try:
            parse(go, person.ask(Question(line, go, None, patience_s)))
            return
        except BadAnswer as reason:
            person.tell(Line("NOTE", "refused", (), str(reason)))


def _move_fields(move: Move) -> tuple[tuple[str, str], ...]:
    axis = ("axis", move.axis.upper())
    if move.by_mm is None:
        return (axis, ("search", move.search), ("to_mm", f"{move.to_mm:.4f}"))
    return (
        axis,
        ("by_mm", f"{move.by_mm:+.4f}"),
        ("to_mm", f"{move.to_mm:.4f}"),
        ("feed", _decimal(move.feed_mm_per_min)),
        ("seconds", f"{move.seconds:.1f}"),
    )


def _in_words(move: Move, unit: str) -> str:
    if move.by_mm is None:
        return f"{move.axis.upper()} searches its end switch"
    return (
        f"{move.axis.upper()} by {move.by_mm:+.2f} {unit} to {move.to_mm:.2f} {unit}, "
        f"about {move.seconds:.1f} s"
    )
