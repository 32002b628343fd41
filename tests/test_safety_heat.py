"""Axis work is cold work, and what is hot is said."""

from __future__ import annotations

import math

import pytest

from tuner.errors import TooHot
from tuner.safety.heat import Heater, Heaters, check_cold, heat_class, heat_in_words

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
