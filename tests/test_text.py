"""Nothing from outside may move a cursor, turn the writing direction, or vanish."""

from __future__ import annotations

import re
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuner.text import as_it_was, clipped, covered, shown, slug, visible

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
        ("\uffff\U00010000\U000101ff", "\\uffff\U00010000\\U000101ff"),
        ("\U0010ffff", "\\U0010ffff"),
        ("\u3164\u2800", "\\u3164\\u2800"),
        ("\x80\xa0\xff\u0378\u2003", "\\x80\\xa0ÿ\\u0378\\u2003"),
        ("Größe 20 °C 日本 €", "Größe 20 °C 日本 €"),
        # Variation selectors, joiners and fillers are drawn as nothing, wherever they stand.
        ("\u2764\ufe0f", "\u2764\\ufe0f"),
        ("a\u034fb\U000e0100\U000e01ef", "a\\u034fb\\U000e0100\\U000e01ef"),
        ("\u115f\u1160\u17b4\u17b5\uffa0", "\\u115f\\u1160\\u17b4\\u17b5\\uffa0"),
        ("\u180b\u180f\ufe00", "\\u180b\\u180f\\ufe00"),
        # Two marks on a character stay, the third and all behind it do not.
        ("e\u0301", "e\u0301"),
        ("e\u0301\u0323", "e\u0301\u0323"),
        ("e\u0301\u0323\u0310", "e\u0301\u0323\\u0310"),
        ("e\u0301\u0323\u0310\u0310o\u0301", "e\u0301\u0323\\u0310\\u0310o\u0301"),
        ("1\u20e3\u20e3\u20e3", "1\u20e3\u20e3\\u20e3"),
        ("\u0915\u093e\u093e\u093e", "\u0915\u093e\u093e\\u093e"),
        # None stands on what is ours: at the beginning, or behind an escape.
        ("\u0338=", "\\u0338="),
        ("\x07\u0338", "\\x07\\u0338"),
        ("a\u200d\u0338", "a\\u200d\\u0338"),
        (" \u0338", " \u0338"),
        # A Korean syllable from its parts has a vowel and an end.
        ("\u1112\u1161\u11ab", "\u1112\u1161\u11ab"),
        ("\u1112\u1161\u11ab\u11ff", "\u1112\u1161\u11ab\\u11ff"),
        ("\ud7b0\u1112\ud7b0\ud7fb\ud7fb", "\\ud7b0\u1112\ud7b0\ud7fb\\ud7fb"),
    ],
)
def test_what_is_seen(text: str, expected: str) -> None:
    assert shown(text) == expected
    assert as_it_was(expected) == text


@pytest.mark.parametrize(
    ("text", "on_the_screen", "under_a_cursor"),
    [
        ("", "", ""),
        ("a\\b", "a\\b", "a\\b"),
        ("\x1b[2J\\", "\\x1b[2J\\", "\ufffd[2J\\"),
        ("é\u202e\U0010ffff", "é\\u202e\\U0010ffff", "é\ufffd\ufffd"),
        ("e\u0301\u0301\u0301", "e\u0301\u0301\\u0301", "e\u0301\u0301\ufffd"),
        ("\ufffd", "\ufffd", "\ufffd"),
    ],
)
def test_on_the_screen(text: str, on_the_screen: str, under_a_cursor: str) -> None:
    assert visible(text) == on_the_screen
    assert covered(text) == under_a_cursor


@given(ANY_TEXT)
def test_there_and_back(text: str) -> None:
    assert as_it_was(shown(text)) == text
    assert visible(shown(text)) == shown(text)
    assert len(covered(text)) == len(text)
    assert (covered(text) == text) == (visible(text) == text)


@given(st.text(alphabet="\\xuU0afAF19\x1b\u202e"))
def test_what_looks_like_an_escape_stays_apart_from_one(text: str) -> None:
    assert as_it_was(shown(text)) == text


@pytest.mark.parametrize("text", ["\\", "\\x1", "\\u12", "\\U0001", "\\q", "\\xAB", "x1b"])
def test_what_shown_never_made_stays_as_it_is(text: str) -> None:
    assert as_it_was(text) == text


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


@given(st.text(max_size=60))
def test_a_slug_is_safe_in_a_file_name(text: str) -> None:
    assert re.fullmatch(r"[a-z0-9][a-z0-9-]{0,39}", slug(text))
