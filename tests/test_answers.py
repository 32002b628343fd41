"""What may be typed: a table of what counts, and a longer one of what does not."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuner.answers import parse, parse_mm
from tuner.errors import BadAnswer, Stopped
from tuner.messages import Accepts, Again, Go, Length, OneOf, Undo, Value, Words

READING = Length(0.0, 150.0, is_reading=True, may_undo=True)
FIRST_READING = Length(0.0, 150.0, is_reading=True)
LENGTH = Length(0.0, 10_000.0)
YES_NO = OneOf(("yes", "no"))
WITH_DEFAULT = OneOf(("declare", "reference"), "declare")
EVERY_QUESTION: list[Accepts] = [
    Go(),
    YES_NO,
    WITH_DEFAULT,
    READING,
    FIRST_READING,
    LENGTH,
    Words(),
    Words("x"),
    OneOf(("yes", "no"), may_undo=True),
    Length(0.0, 9.0, may_undo=True),
    Words(may_undo=True),
]


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("12.34", 12.34),
        ("12,34", 12.34),
        ("12.34 mm", 12.34),
        ("12.34mm", 12.34),
        ("  12.34 MM ", 12.34),
        ("+1", 1.0),
        ("-1", -1.0),
        ("-0.05", -0.05),
        ("0", 0.0),
        ("007", 7.0),
        ("999999.99999999", 999999.99999999),
        # 1 inch is exactly 25.4 mm (NIST SP 811)
        ("1 in", 25.4),
        ("0.486 in", 12.3444),
        ('0,5"', 12.7),
        ("-1in", -25.4),
    ],
)
def test_lengths_that_count(text: str, mm: float) -> None:
    assert parse_mm(text) == pytest.approx(mm, rel=1e-15, abs=0)


@pytest.mark.parametrize(
    "text",
    [
        "", " ", "nan", "NaN", "inf", "-inf", "infinity", "1e3", "1E3", "1_0", "0x10", ".486", "5.",
        ",5", "--1", "+-1", "- 1", "1,234.5", "1.234,5", "1 234", "12.34.5", "12.34 dm", "12 m",
        "12 mmm", "12 mm in", "1/2", "½", "１２", "١٢", "१२", "12\u00a0mm", "12.34\x00", "1\n2",
        "1234567", "1.123456789", "9" * 400, "twelve", "mm", "in", "again", "undo", "go", "12.34;",
        "\u221212", "12'", "12″",
    ],
)  # fmt: skip
def test_lengths_that_do_not_count(text: str) -> None:
    with pytest.raises(BadAnswer, match="is not a length") as refused:
        parse_mm(text)
    assert len(str(refused.value)) < 120


@given(st.integers(-(10**7), 10**7))
def test_hundredths_come_through_exactly(hundredths: int) -> None:
    sign = "-" if hundredths < 0 else ""
    whole, part = divmod(abs(hundredths), 100)
    for point in ".,":
        assert parse_mm(f"{sign}{whole}{point}{part:02d}") == hundredths / 100


@pytest.mark.parametrize("accepts", EVERY_QUESTION, ids=repr)
@pytest.mark.parametrize("text", ["stop", "STOP", " Stop\t"])
def test_stop_stops_always(accepts: Accepts, text: str) -> None:
    with pytest.raises(Stopped):
        parse(accepts, text)


@pytest.mark.parametrize("text", ["go", "GO", " Go "])
def test_go_consents(text: str) -> None:
    assert parse(Go(), text) == Value("go")


@pytest.mark.parametrize(
    "text",
    ["", " ", "\n", "y", "yes", "1", "ok", "g", "gogo", "go go", "go!", "ｇｏ", "g\u200bo", "gο"],
)
def test_nothing_else_consents(text: str) -> None:
    with pytest.raises(BadAnswer, match="type go, or stop"):
        parse(Go(), text)


@pytest.mark.parametrize("text", ["back", "undo", "BACK"])
def test_at_a_go_it_says_how_an_answer_is_taken_back(text: str) -> None:
    with pytest.raises(BadAnswer, match=r"type go, or stop\. A reading is taken back"):
        parse(Go(), text)


@pytest.mark.parametrize(
    ("accepts", "text", "value"),
    [
        (YES_NO, "yes", "yes"),
        (YES_NO, " NO ", "no"),
        (YES_NO, "1", "yes"),
        (YES_NO, "2", "no"),
        (YES_NO, "y", "yes"),
        (YES_NO, " N ", "no"),
        (OneOf(("yes", "no", "unsure")), "y", "yes"),
        (OneOf(("yes", "no", "y")), "y", "y"),
        (WITH_DEFAULT, "", "declare"),
        (WITH_DEFAULT, "reference", "reference"),
        (LENGTH, "12,5 mm", 12.5),
        (LENGTH, "0", 0.0),
        (LENGTH, "10000", 10_000.0),
        (Length(0.0, 50.0, default="10"), "", 10.0),
        (READING, "1 in", 25.4),
        (READING, "150", 150.0),
        (Words("x"), "", "x"),
        (Words("x"), " Bench Two ", "Bench Two"),
    ],
)
def test_answers_that_fit(accepts: Accepts, text: str, value: object) -> None:
    assert parse(accepts, text) == Value(value)


def test_as_people_say_it() -> None:
    assert parse(OneOf(("about-right", "too-far")), "About right") == Value("about-right")
    assert parse(LENGTH, "12,3 cm") == Value(123.0)


COLOURS = OneOf(
    ("red", "green"), also=(("grass*", "green"), ("like fire", "red"), ("fresh*", "green"))
)


@pytest.mark.parametrize("text", ["grass", "Fresh grass", "as grassy as can be", "green"])
def test_plain_words_mean_the_only_option_that_they_fit(text: str) -> None:
    assert parse(COLOURS, text) == Value("green")
    assert parse(COLOURS, "like-fire") == Value("red")


@pytest.mark.parametrize(
    "text",
    ["", "regrass", "like fire too", "like a fire", "no grass", "grass but red", "not fresh"],
)
def test_plain_words_that_fit_none_or_several_are_refused(text: str) -> None:
    with pytest.raises(BadAnswer, match="1 to 2 or one of: red, green"):
        parse(COLOURS, text)


@pytest.mark.parametrize("accepts", [YES_NO, LENGTH, READING, FIRST_READING])
def test_again_is_no_answer_but_a_wish(accepts: Accepts) -> None:
    assert parse(accepts, "again") == Again()
    assert parse(OneOf(("keep", "again")), "again") == Value("again")


@pytest.mark.parametrize(
    ("accepts", "text", "reason"),
    [
        (YES_NO, "", "type a number 1 to 2 or one of: yes, no"),
        (YES_NO, "ye", "type a number 1 to 2 or one of: yes, no"),
        (YES_NO, "0", "type a number"),
        (YES_NO, "3", "type a number"),
        (YES_NO, "-1", "type a number"),
        (YES_NO, "１", "type a number"),
        (YES_NO, "²", "type a number"),
        (YES_NO, "1" * 5000, "type a number"),
        (WITH_DEFAULT, "y", "type a number 1 to 2 or one of: declare, reference"),
        (OneOf(("keep",)), "y", "type 1 or one of: keep"),
        (OneOf(("a" * 150, "b" * 150)), "c", "type a number 1 to 2$"),
        (OneOf(("no", "x")), "n", "type a number 1 to 2 or one of: no, x"),
        (LENGTH, "", "is not a length"),
        (LENGTH, "undo", "no answer since the last move, reading or report"),
        (LENGTH, "-1", "outside 0 to 10000 mm; type a length"),
        (READING, "151", "151 mm is outside 0 to 150 mm; read the caliper again"),
        (READING, "6 in", "152.4 mm is outside"),
        (READING, "-0.01", "outside"),
        (LENGTH, "back", "no answer since the last move, reading or report"),
        (YES_NO, "back", "no answer since the last move, reading or report"),
        (FIRST_READING, "undo", "no earlier reading"),
        (FIRST_READING, "back", "no earlier reading"),
    ],
)
def test_answers_that_do_not(accepts: Accepts, text: str, reason: str) -> None:
    with pytest.raises(BadAnswer, match=reason):
        parse(accepts, text)


def test_a_reading_can_be_taken_again_or_back() -> None:
    assert parse(READING, "Again") == Again()
    assert parse(FIRST_READING, "again") == Again()
    assert parse(READING, " undo") == Undo()


@pytest.mark.parametrize("word", ["back", "undo", " Back "])
@pytest.mark.parametrize(
    "accepts",
    [
        READING,
        OneOf(("yes", "no"), "yes", may_undo=True),
        Length(0.0, 9.0, may_undo=True),
        Words("x", may_undo=True),
    ],
)
def test_an_answer_can_be_taken_back_where_the_question_says_so(
    accepts: Accepts, word: str
) -> None:
    assert parse(accepts, word) == Undo()


@pytest.mark.parametrize("word", ["back", "undo"])
def test_where_nothing_can_be_taken_back_those_words_are_no_text(word: str) -> None:
    with pytest.raises(BadAnswer, match="there is no answer since the last move"):
        parse(Words("x"), word)


@given(st.text(max_size=20))
def test_no_text_whatever_breaks_it(text: str) -> None:
    for accepts in EVERY_QUESTION:
        try:
            reply = parse(accepts, text)
        except (BadAnswer, Stopped):
            continue
        if isinstance(accepts, Go):
            assert text.strip().lower() == "go"
        assert isinstance(reply, Value | Again | Undo)


@pytest.mark.parametrize(
    ("typed", "value"), [("12.3", 12.3), ("-0,5", -0.5), ("179.9 deg", 179.9), ("+7DEG", 7.0)]
)
def test_an_angle_is_typed_in_degrees(typed: str, value: float) -> None:
    assert parse(Length(-180.0, 180.0, True, unit="deg"), typed) == Value(value)


@pytest.mark.parametrize("typed", ["12 mm", "0.5 in", '0.5"', "twelve", "", "181"])
def test_what_is_no_angle_is_refused(typed: str) -> None:
    with pytest.raises(BadAnswer, match=r"deg|angle"):
        parse(Length(-180.0, 180.0, True, unit="deg"), typed)


def test_degrees_are_no_length() -> None:
    with pytest.raises(BadAnswer, match="not a length"):
        parse(Length(0.0, 150.0, True), "12 deg")
