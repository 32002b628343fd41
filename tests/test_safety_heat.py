"""Axis work is cold work, and what is hot is said."""

from __future__ import annotations

import math

import pytest

from tuner.errors import HeatFault, TooHot
from tuner.safety.heat import (
    UNATTENDED_S,
    Heater,
    Heaters,
    HeatWatch,
    HotSurfaces,
    check_cold,
    heat_class,
    heat_in_words,
    heater_at,
)

UNKNOWN = "Temperatures are not reported: treat nozzle and bed as hot."


@pytest.mark.parametrize(
    ("heaters", "class_", "words"),
    [
        (None, "unknown", UNKNOWN),
        ((), "unknown", UNKNOWN),
        ([Heater("T", 21.4, 0.0)], "cold", "Reported: nozzle 21 °C."),
        # 43 and 51 degrees C: ISO 13732-1, from memory
        ([Heater("T", 42.9)], "cold", "Reported: nozzle 43 °C."),
        ([Heater("T", 43.0)], "hot", "Hot surfaces, burns on touch: nozzle 43 °C."),
        ([Heater("T", 20.0), Heater("B", 50.0, 0.0)], "hot",
         "Hot surfaces, burns on touch: nozzle 20 °C, bed 50 °C."),
        ([Heater("C", 20.0), Heater("P", 20.0)], "cold", "Reported: chamber 20 °C, P 20 °C."),
        ([Heater("T", -40.0)], "cold", "Reported: nozzle -40 °C."),
        ([Heater("T", 20.0), Heater("B", 24.0), Heater("C", 22.0)], "cold",
         "Reported: nozzle 20 °C, bed 24 °C, chamber 22 °C."),
        ([Heater(f"T{n}", 20.0 + n) for n in range(9)], "cold",
         "Reported: nozzle 8 28 °C, nozzle 7 27 °C, nozzle 6 26 °C and 6 more, none hotter."),
    ],
)  # fmt: skip
def test_cold_enough_to_work(heaters: Heaters, class_: str, words: str) -> None:
    check_cold(heaters)
    assert heat_class(heaters) == class_
    assert heat_in_words(heaters) == words


@pytest.mark.parametrize(
    ("heater", "reason"),
    [
        (Heater("T", 20.0, 1.0), "being heated to 1"),
        (Heater("T", 20.0, 210.0), "being heated to 210"),
        (Heater("B", 50.1, 0.0), "at 50 .C"),
        (Heater("B", 50.1, None), "at 50 .C"),
        (Heater("T", math.inf), "at inf"),
        (Heater("T", math.nan), "at nan"),
        (Heater("T", 20.0, math.nan), "heated to nan"),
    ],
)
def test_too_hot_to_work(heater: Heater, reason: str) -> None:
    with pytest.raises(TooHot, match=reason) as refused:
        check_cold([Heater("other", 20.0, 0.0), heater])
    assert "ool" in str(refused.value)
    assert "start again" in str(refused.value)


def test_a_sensor_that_says_nothing_sensible_is_hot() -> None:
    assert heat_class([Heater("T", math.nan)]) == "hot"


# --- what is heated is watched ------------------------------------------------------------


@pytest.mark.parametrize(
    ("names", "place", "found"),
    [
        (["T", "B"], "nozzle", "T"),
        (["B", "T0", "T1"], "nozzle", "T0"),
        (["T", "T0"], "nozzle", "T"),
        (["T1"], "nozzle", None),
        (["T", "B"], "bed", "B"),
        (["T"], "bed", None),
    ],
)
def test_where_a_heater_is_reported(names: list[str], place: str, found: str | None) -> None:
    heaters = [Heater(name, 20.0) for name in names]
    heater = heater_at(heaters, place)
    assert (heater.name if heater else None) == found
    assert heater_at(None, place) is None


def watched(*looks: tuple[float, float], target_c: float = 200.0) -> list[bool]:
    """Look at each (time in s, temperature in degrees C); return whether it was there."""
    watch = HeatWatch("nozzle", target_c, 240.0)
    return [
        watch.has_reached(watch.look([Heater("T", now_c, target_c)], at_s)) for at_s, now_c in looks
    ]


@pytest.mark.parametrize(
    "looks",
    [
        [(1000.0, 20.0), (1059.9, 20.0)],
        [(1000.0, 20.0), (1050.0, 22.0), (1109.0, 22.0), (1110.0, 24.0)],  # 2 in under a minute
        [(0.0, 20.0), (50.0, 10.0), (59.0, 19.0)],  # noise, or a draught
        [(0.0, 20.0), (59.0, 197.0), (1e6, 203.0)],  # there, and left alone for long
        [(0.0, 200.0), (1e6, 190.0), (1e6 + 59.9, 190.0), (1e6 + 60.0, 192.1)],
        [(0.0, 20.0), (50.0, 195.0), (60.0, 198.0), (1e6, 195.0)],  # a minute to come back
        [(0.0, 240.0), (50.0, 230.0), (100.0, 201.0)],  # from above
        [(0.0, -20.0), (1.0, 260.0)],
    ],
)
def test_a_heater_that_gets_on_is_left_on(looks: list[tuple[float, float]]) -> None:
    watched(*looks)


def test_what_is_hot_waits_five_minutes_for_an_answer() -> None:
    assert UNATTENDED_S == 5 * 60


def test_it_is_there_within_three_degrees() -> None:
    looks = [(0.0, 20.0), (1.0, 196.9), (2.0, 197.0), (3.0, 203.0), (4.0, 203.1)]
    assert watched(*looks) == [False, False, True, True, False]


@pytest.mark.parametrize(
    "looks",
    [
        [(1000.0, 20.0), (1060.0, 20.0)],
        [(1000.0, 20.0), (1060.0, 21.9)],
        [(1000.0, 20.0), (1030.0, 24.0), (1090.0, 25.9)],
        [(0.0, 200.0), (1e6, 190.0), (1e6 + 60.0, 190.0)],  # it fell, and did not come back
        [(0.0, 230.0), (60.0, 230.0)],
    ],
)
def test_a_heater_that_warms_nothing_is_a_fault(looks: list[tuple[float, float]]) -> None:
    *fine, _ = looks
    watched(*fine)
    with pytest.raises(HeatFault, match=r"came less than 2 nearer to 200 .C in 60 s"):
        watched(*looks)


@pytest.mark.parametrize("now_c", [-20.1, -273.0, 260.1, 1e308, math.inf, -math.inf, math.nan])
def test_a_sensor_that_cannot_be_right_is_a_fault(now_c: float) -> None:
    with pytest.raises(HeatFault, match="expected -20 to 260; it is switched off"):
        watched((0.0, now_c))


def test_another_target_than_the_one_sent_is_a_fault() -> None:
    watch = HeatWatch("nozzle", 200.0, 240.0)
    at_first = [Heater("T", 20.0, 180.0)]
    watch.look(at_first, 0.0, is_on=False)  # not sent yet
    for target_c in (None, 0.0, 199.1, 200.0, 200.9):
        watch.look([Heater("T", 30.0, target_c)], 1.0)
    for target_c in (20.0, 199.0, 201.0, 240.0, 2000.0, -1.0, math.inf):
        with pytest.raises(HeatFault, match="expected 200; it is switched off"):
            watch.look([Heater("T", 30.0, target_c)], 2.0)


@pytest.mark.parametrize("heaters", [None, (), [Heater("B", 20.0, 0.0)]])
def test_a_sensor_that_is_gone_is_a_fault(heaters: Heaters) -> None:
    with pytest.raises(HeatFault, match="nozzle is not reported any more"):
        HeatWatch("nozzle", 200.0, 240.0).look(heaters, 0.0)


HOT = "the nozzle was at 210 °C and stays hot for minutes: do not touch it"


@pytest.mark.parametrize(
    ("reports", "words"),
    [
        ([], ""),
        ([None, ()], ""),
        ([[Heater("T", 42.9, 0.0)]], ""),
        ([[Heater("T", 210.0, 0.0)]], HOT),
        ([[Heater("T", 210.0, 0.0)], None, ()], HOT),
        ([[Heater("T", 210.0, 210.0)], [Heater("T", 21.0, 0.0)]], ""),
        # a sensor that fell out, while it is heated and after
        ([[Heater("T", 210.0, 210.0)], [Heater("T", 5.0, 210.0)]], HOT),
        ([[Heater("T", 210.0, 210.0)], [Heater("T", -40.0, 0.0)]], HOT),
        ([[Heater("B", 21.0, 60.0)]], "the bed was to be at 60 °C: do not touch it"),
        ([[Heater("T", 210.0), Heater("B", 55.0)]],
         f"{HOT}; the bed was at 55 °C and stays hot for minutes: do not touch it"),
        ([[Heater("T", math.nan)]],
         "the nozzle gave no temperature and may be hot: do not touch it"),
    ],
)  # fmt: skip
def test_what_stays_hot_is_remembered(reports: list[Heaters], words: str) -> None:
    hot = HotSurfaces()
    for one in reports:
        hot.take(one)
    assert hot.in_words() == words


@pytest.mark.parametrize(
    ("heaters", "words"),
    [
        (None, ""),
        ([Heater("B", 21.0)], ""),
        ([Heater("T", 21.0, 0.0)], "the nozzle was to be at 210 °C: do not touch it"),
        ([Heater("T", 43.0, 0.0)], HOT.replace("210", "43")),
    ],
)
def test_what_is_told_to_get_hot_may_be_hot(heaters: Heaters, words: str) -> None:
    hot = HotSurfaces()
    hot.told(heaters, "nozzle", 210.0)
    assert hot.in_words() == words
