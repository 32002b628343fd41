"""Designations: understood where a standard defines them, refused in clear words elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuner.drive.designation import belt_pitch, rack_module, screw
from tuner.drive.parts import Screw


@pytest.mark.parametrize(
    ("text", "pitch_mm", "starts", "says", "source"),
    [
        ("Tr8x8(P2)", "2", 4, "lead 8 mm, pitch 2 mm: 8 / 2 = 4 starts", "2 mm is common practice"),
        ("tr 8 × 8 (p2)", "2", 4, "Tr8x8(P2)", "ISO 2904"),
        ("Tr8*8 P2", "2", 4, "4 starts", "ISO 2904"),
        ("Tr8x1,5", "1.5", 1, "pitch 1.5 mm, one start", "ISO 2904"),
        ("Tr8x2", "2", 1, "pitch 2 mm, one start", "there 8 mm has a pitch of 1.5 mm"),
        ("Tr8x8", "8", 1, "its (P…) was left out", "ISO 2904"),
        ("Tr10x2(P2)", "2", 1, "2 / 2 = 1 start", "ISO 2904"),
        ("Tr 60 x 18 (P9) LH", "9", 2, "LH: left-hand", "ISO 2904"),
        ("Tr40x14(P7)LH-7e", "7", 2, "Tr40x14(P7)", "ISO 2904"),
        ("Tr40x7-7e", "7", 1, "one start", "ISO 2904"),
        ("M8", "1.25", 1, "metric coarse thread, 8 mm, pitch 1.25 mm", "ISO 261"),
        ("m 3.5", "0.6", 1, "coarse", "ISO 261"),
        ("M8x1", "1", 1, "pitch 1 mm", "ISO 261"),
        ("M8x0,75-6g-LH", "0.75", 1, "LH", "ISO 261"),
        ("M16xPh3P1.5", "1.5", 2, "3 / 1.5 = 2 starts", "from memory"),
        ("1/4-16", "1.5875", 1, "25.4 mm / 16 = 1.5875 mm", "ASME B1.5"),
        ("0.250-16 ACME-2G", "1.5875", 1, "16 threads per inch", "ASME B1.5"),
        ("1 1/4-5", "5.08", 1, "1 1/4 inch, 5 threads", "ASME B1.5"),
        ("1-1/4-5", "5.08", 1, "1 1/4 inch, 5 threads", "ASME B1.5"),
        ("1/4-20 UNC", "1.27", 1, "1.27 mm", "has 16 per inch, this may be another inch thread"),
        ("4-2", "12.7", 1, "4 inch", "not among its preferred sizes"),
        ("1/2-10 LH", "2.54", 1, "LH", "ASME B1.5"),
        ("1/2-.1P-.2L-ACME", "2.54", 2, "lead .2 inch = 5.08 mm", "from memory"),
        ("1 1/2-0.25P-1L", "6.35", 4, "1 1/2-0.25P-1L", "from memory"),
        ("16x5", "5", 1, "ball screw, 16 mm, lead 5 mm", "ISO 3408-2"),
        ("16x7", "7", 1, "ball screw", "not among its leads"),
    ],
)
def test_screws(text: str, pitch_mm: str, starts: int, says: str, source: str) -> None:
    found = screw(text)
    assert found.value == Screw(Fraction(pitch_mm), starts)
    assert says in found.means
    assert source in found.source


@pytest.mark.parametrize(
    ("text", "pitch_mm", "says", "source"),
    [
        ("XL", "5.08", "0.2 inch = 5.08 mm", "ISO 5296"),
        ("mxl", "2.032", "easily taken for a belt of 2 mm", "ISO 5296"),
        ("100XL037", "5.08", "XL:", "ISO 5296"),
        ("100 xxl 037", "3.175", "XXL:", "ISO 5296"),
        ("L", "9.525", "0.375 inch", "ISO 5296"),
        ("T2.5", "2.5", "T2.5:", "ISO 17396"),
        ("t2,5", "2.5", "T2.5:", "ISO 17396"),
        ("10 AT5/500", "5", "AT5:", "ISO 17396"),
        ("8M", "8", "round teeth, pitch 8 mm", "ISO 13050"),
        ("H8M", "8", "round teeth, pitch 8 mm", "ISO 13050"),
        ("600-8M-20", "8", "round teeth", "ISO 13050"),
        ("14M", "14", "round teeth", "ISO 13050"),
        ("2M", "2", "round teeth", "common practice"),
        ("40DP", "2.07264", "0.0816 inch", "no standard"),
    ],
)
def test_belts(text: str, pitch_mm: str, says: str, source: str) -> None:
    found = belt_pitch(text)
    assert found.value == Fraction(pitch_mm)
    assert says in found.means
    assert source in found.source


@pytest.mark.parametrize(
    ("text", "module_mm", "source"),
    [("m1", "1", "ISO 54"), ("M1,5", "1.5", "ISO 54"), ("module 2", "2", "ISO 54"),
     ("m7", "7", "not among the modules")],
)  # fmt: skip
def test_racks(text: str, module_mm: str, source: str) -> None:
    found = rack_module(text)
    assert found.value == Fraction(module_mm)
    assert source in found.source


@pytest.mark.parametrize(
    ("understand", "text", "says"),
    [
        (screw, "", "expected one such as Tr8x8(P2)"),
        (screw, "T8", "count the thread starts"),
        (screw, "1605", "expected one such as"),
        (screw, "Tr8x8(P3)", "8 mm is no whole number of pitches of 3 mm"),
        (screw, "Tr8x8(P0)", "no whole number of pitches"),
        (screw, "Tr8x0", "no whole number of pitches"),
        (screw, "Tr40x77e", "expected one such as"),
        (screw, "M30", "its pitch as well, such as M30x2"),
        (screw, "M8x0", "Screw pitch_mm = 0"),
        (screw, "10-24", "10 inch is no screw"),
        (screw, "1/0-16", "1/0 is no size"),
        (screw, "0-16", "0 inch is no screw"),
        (screw, "1/4-0", "expected threads per inch"),
        (screw, "16x0", "Screw pitch_mm = 0"),
        (screw, "M８", "expected one such as"),
        (screw, "Tr8x8(P2)\x1b[2J", "\\x1b[2J"),
        (belt_pitch, "", "expected one such as MXL"),
        (belt_pitch, "AT3", "T2.5, T5, T10, T20, AT5"),
        (belt_pitch, "T5..", "measure from the first to the last"),
        (belt_pitch, "58M", "divide by 10"),
        (belt_pitch, "\u202eLX", "\\u202eLX"),
        (rack_module, "1.5", "m1.5"),
        (rack_module, "x" * 500, "ISO 54"),
    ],
)
def test_what_no_standard_defines(understand: Callable[[str], Any], text: str, says: str) -> None:
    with pytest.raises(ValueError, match=r"expected") as caught:
        understand(text)
    message = str(caught.value)
    assert says in message
    assert message.isprintable()
    assert len(message) < 500


@pytest.mark.parametrize("understand", [screw, belt_pitch, rack_module])
@given(text=st.text(alphabet="TtRrMmXxLlHhPpDA0123456789.,/-() ×*\x1b\u202e１", max_size=24))
def test_whatever_is_typed_is_understood_or_refused(
    understand: Callable[[str], Any], text: str
) -> None:
    try:
        found = understand(text)
    except ValueError as refusal:
        assert str(refusal).isprintable()
    else:
        assert found.means.isprintable()
        assert found.source


@given(st.integers(1, 40), st.integers(1, 12), st.sampled_from(["", " LH", "-7e"]))
def test_every_multi_start_screw_is_read_back(pitch: int, starts: int, ending: str) -> None:
    found = screw(f"Tr40x{pitch * starts}(P{pitch}){ending}").value
    assert found == Screw(Fraction(pitch), starts)
