"""Nothing from outside may move a cursor, turn the writing direction, or vanish."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuner.text import clipped, shown

HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
ANY_TEXT = st.text(alphabet=st.characters(exclude_categories=()), max_size=12)


def test_every_byte_and_every_code_point_below_3000_stays_visible() -> None:
    for code in range(0x3000):
        character = chr(code)
        rendered = shown(character)
        assert rendered
        assert not any(unicodedata.category(one) in HIDDEN for one in rendered), hex(code)
        if unicodedata.category(character) in HIDDEN:
            assert rendered.isascii()
            assert rendered.startswith("\\")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", ""),
        ("ok T:21.5 /0.0", "ok T:21.5 /0.0"),
        ("a\\b", "a\\\\b"),
        ("\x1b[2J", "\\x1b[2J"),
        ("\x9b2J", "\\x9b2J"),
        ("\x07\x08\x7f", "\\x07\\x08\\x7f"),
        ("a\r\nb\tc", "a\\x0d\\x0ab\\x09c"),
        ("\u202egnp.exe", "\\u202egnp.exe"),
        ("\u2066x\u2069", "\\u2066x\\u2069"),
        ("\u2028\u2029", "\\u2028\\u2029"),
        ("\ufeff\u200b\u00ad", "\\ufeff\\u200b\\xad"),
        ("\udc80", "\\udc80"),
        ("\U000e0041", "\\U000e0041"),
        ("\U0010ffff", "\\U0010ffff"),
        ("\u3164\u2800", "\\u3164\\u2800"),
        ("Größe 20 °C 日本 €", "Größe 20 °C 日本 €"),
    ],
)
def test_what_is_seen(text: str, expected: str) -> None:
    assert shown(text) == expected


@given(ANY_TEXT, ANY_TEXT)
def test_different_texts_stay_different(one: str, other: str) -> None:
    assert (shown(one) == shown(other)) == (one == other)


@given(ANY_TEXT)
def test_it_fits_on_one_line_and_can_be_written(text: str) -> None:
    rendered = shown(text)
    assert len(rendered.splitlines()) <= 1
    rendered.encode("utf-8")


@pytest.mark.parametrize(
    ("text", "longest", "expected"),
    [("abc", 3, "abc"), ("abcd", 3, "ab…"), ("", 1, ""), ("ab", 1, "…")],
)
def test_clipped(text: str, longest: int, expected: str) -> None:
    assert clipped(text, longest) == expected
