"""The evidence checker finds every kind of breach, and nothing in a good conversation."""

from __future__ import annotations

from pathlib import Path

import pytest
from evidence import Shown, check, check_bytes, motion_lines, parse, parse_shown, parse_text

SETUP = """\
# a made-up conversation
0.000 ! opened
0.310 < start
0.320 > G21
0.321 < ok
0.322 > G91
0.323 < ok
0.330 > M105
0.331 < ok T:22.0 /0.0 B:21.5 /0.0
"""
GROUP_7 = """\
5.000 ~ CAUTION x.near.1 word=WARNING group=7 line=1 of=2 | X moves; caliper and hands out
5.000 ~ MOVE x.near.1 axis=X by_mm=-2.000 to_mm=18.000 feed=1200 seconds=0.1 group=7 | X -2 mm
5.001 ~ CAUTION x.near.2 word=WARNING group=7 line=2 of=2 | then X moves back
5.001 ~ MOVE x.near.2 axis=X by_mm=+20.000 to_mm=38.000 feed=1200 seconds=1.0 group=7 | X +20 mm
5.002 ~ CONFIRM x.near group=7 | answer go or stop
6.500 ~ ANSWER x.near | go
6.510 > G1 X-2.000 F1200
6.511 < ok
6.512 > G1 X20.000 F1200
6.513 < ok
6.514 > M400
7.700 < ok
7.701 ~ MOVED x.near group=7 | motion has ended
"""
GROUP_8 = """\
8.000 ~ CAUTION x.far.1 word=CAUTION group=8 line=1 of=1 | X moves on; caliper and hands out
8.000 ~ MOVE x.far.1 axis=X by_mm=+0.013 to_mm=38.013 feed=1200 seconds=0.1 group=8 | X +0.01 mm
8.001 ~ CONFIRM x.far group=8 | answer go or stop
9.000 ~ ANSWER x.far | go
9.010 > G1 X0.0125 F1200
9.011 < ok
9.012 > M400
9.300 < ok
9.301 ~ MOVED x.far group=8 | motion has ended
"""
SEARCH = """\
10.000 ~ CAUTION x.ref.1 word=WARNING group=9 line=1 of=1 | X searches its switch; hands out
10.000 ~ MOVE x.ref.1 axis=X search=min seconds=30 group=9 | X to its switch
10.001 ~ CONFIRM x.ref group=9 | answer go or stop
11.000 ~ ANSWER x.ref | go
11.001 > G28 X
14.000 < ok
14.001 > M400
14.002 < ok
14.003 ~ MOVED x.ref group=9 | found
"""
END = """\
20.000 > M104 S0
20.001 < ok
20.002 > M140 S0
20.003 < ok
20.004 ~ END exit=0
"""
GOOD = SETUP + GROUP_7 + GROUP_8 + SEARCH + END


def judged(text: str) -> list[str]:
    return check(parse_text(text))


def changed(old: str, new: str, text: str = GOOD) -> str:
    assert text.count(old) == 1, f"the sample must hold {old!r} once"
    return text.replace(old, new)


def delayed(text: str, after_s: float, by_s: float) -> str:
    """Return `text` with everything later than `after_s` coming `by_s` later."""
    lines = []
    for line in text.splitlines():
        at, _, rest = line.partition(" ")
        late = not at.startswith("#") and float(at) > after_s
        lines.append(f"{float(at) + by_s:.3f} {rest}\n" if late else f"{line}\n")
    return "".join(lines)


def without(*pieces: str) -> str:
    text = GOOD
    for piece in pieces:
        text = changed(piece, "", text)
    return text


def lines_with(*starts: str) -> list[str]:
    return [line + "\n" for line in GOOD.splitlines() if line.startswith(starts)]


def test_after_a_refusal_nothing_more_of_its_group_may_leave() -> None:
    refused = changed(
        "6.511 < ok\n6.512 > G1 X20.000 F1200\n6.513 < ok\n6.514 > M400\n7.700 < ok\n"
        "7.701 ~ MOVED x.near group=7 | motion has ended\n",
        "6.511 < error: too cold\n",
    )
    assert judged(refused) == []
    again = refused.replace("error: too cold\n", "error: too cold\n6.600 > G1 X20.000 F1200\n")
    (finding,) = judged(again)
    assert "without a consent" in finding


# --- good conversations -----------------------------------------------------------------


def test_a_good_conversation_has_no_findings() -> None:
    assert judged(GOOD) == []
    assert motion_lines(parse_text(GOOD)) == [
        "G1 X-2.000 F1200", "G1 X20.000 F1200", "G1 X0.0125 F1200", "G28 X",
    ]  # fmt: skip


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("", id="empty"),
        pytest.param(
            changed(
                "6.500 ~ ANSWER x.near | go\n",
                "6.000 ~ ANSWER x.near | yes\n6.001 ~ NOTE refused | only go starts this move\n"
                "6.002 ~ CONFIRM x.near group=7 | answer go or stop\n6.500 ~ ANSWER x.near | go\n",
            ),
            id="a wrong answer and the same question again",
        ),
        pytest.param(
            changed("6.500 ~ ANSWER x.near | go\n", "6.500 ~ ANSWER x.near | GO \n"),
            id="go as a person types it",
        ),
        pytest.param(
            delayed(SETUP + GROUP_7, after_s=6.5, by_s=29.5), id="begun just before it expires"
        ),
        pytest.param(
            delayed(SETUP + GROUP_7, after_s=6.511, by_s=60.0), id="a long first move of a group"
        ),
        pytest.param(
            SETUP + "".join(GROUP_7.splitlines(True)[:5]) + GROUP_8, id="a group given up unsent"
        ),
        pytest.param(
            changed("7.700 < ok\n", "7.000 > M112\n7.001 < error: halted\n7.002 > M105\n", SETUP
                    + "".join(GROUP_7.splitlines(True)[:-1])) + "7.100 > M104 S0\n7.101 > M112\n",
            id="after a stop: queries, heaters off, stop",
        ),
        pytest.param(
            changed("6.514 > M400\n", "6.514 > G4 P0\n"), id="a dwell as the wait of plain machines"
        ),
        pytest.param(
            changed("> G91", "> G90", SETUP)
            + GROUP_7.replace("> G1 X-2.000", "> G1 X18").replace("> G1 X20.000", "> G1 X38."),
            id="absolute positions are held to to_mm",
        ),
    ],
)  # fmt: skip
def test_good_variants_have_no_findings(text: str) -> None:
    assert judged(text) == []


# --- rule 1: caution, announcement, consent ---------------------------------------------

BAD_MOVES = {
    "no caution at all": (
        without(*lines_with("5.000 ~ C", "5.001 ~ C")), "no group has cautions",
    ),
    "one line without its caution": (
        without(*lines_with("5.001 ~ CAUTION")), "1 cautions and 2 moves shown of 2",
    ),
    "one line without its announcement": (
        without(*lines_with("5.001 ~ MOVE")), "2 cautions and 1 moves shown of 2",
    ),
    "the same caution twice": (
        changed("group=7 line=2 of=2", "group=7 line=1 of=2"), "is not the next one",
    ),
    "a caution without a signal word": (
        changed("word=WARNING group=7 line=1", "word=NICE group=7 line=1"), "no signal word",
    ),
    "a caution that says nothing": (
        changed(" | then X moves back", ""), "says nothing",
    ),
    "a caution without its group": (
        changed("word=WARNING group=7 line=1 of=2", "word=WARNING line=1 of=2"),
        "does not say its group",
    ),
    "no question": (
        without(*lines_with("5.002")), "without a consent",
    ),
    "no answer": (
        without(*lines_with("6.500")), "without a consent",
    ),
    "Enter is no consent": (
        changed("~ ANSWER x.near | go", "~ ANSWER x.near"), "without a consent",
    ),
    "yes is no consent": (
        changed("~ ANSWER x.near | go", "~ ANSWER x.near | yes"), "without a consent",
    ),
    "go to another question": (
        changed("~ ANSWER x.near | go", "~ ANSWER x.job | go"), "without a consent",
    ),
    "go before the question": (
        without(*lines_with("6.500")).replace(
            "5.002 ~ CONFIRM", "5.002 ~ ANSWER x.near | go\n5.002 ~ CONFIRM"),
        "without a consent",
    ),
    "go after another question was asked": (
        changed("6.500 ~ ANSWER", "6.400 ~ TEXT x.job default= | job\n6.500 ~ ANSWER"),
        "without a consent",
    ),
    "a caution after the go": (
        changed("6.510 >", "6.505 ~ CAUTION x.n.3 word=WARNING group=7 line=3 of=2 | X\n6.510 >"),
        "came after its consent",
    ),
    "a move announced after the go": (
        changed("6.510 >", "6.505 ~ MOVE x.n.3 axis=X by_mm=+1.000 feed=1 group=7 | X\n6.510 >"),
        "came after its consent",
    ),
    "sent before the go": (
        changed("6.500 ~ ANSWER x.near | go\n6.510 > G1 X-2.000 F1200\n",
                "6.490 > G1 X-2.000 F1200\n6.500 ~ ANSWER x.near | go\n"),
        "without a consent",
    ),
    "begun late": (
        delayed(SETUP + GROUP_7, after_s=6.5, by_s=30.5), "later than 30 s",
    ),
    "sent twice": (
        changed("6.512 > G1 X20.000 F1200\n6.513 < ok\n", "6.512 > G1 X20.000 F1200\n6.513 < ok\n"
                "6.513 > G1 X20.000 F1200\n6.513 < ok\n"),
        "one line more",
    ),
    "in the wrong order": (
        GOOD.replace("> G1 X20.000", "> G1 X?").replace("> G1 X-2.000", "> G1 X20.000").replace(
            "> G1 X?", "> G1 X-2.000"),
        "is not what move 1",
    ),
    "another axis": (
        changed("> G1 X20.000", "> G1 Y20.000"), "is not what move 2",
    ),
    "another length": (
        changed("> G1 X20.000", "> G1 X20.002"), "is not what move 2",
    ),
    "another length than announced to four digits": (
        changed("by_mm=+20.000", "by_mm=+20.0002"), "is not what move 2",
    ),
    "a length announced too coarsely to hold a line to": (
        changed("by_mm=+20.000", "by_mm=+20").replace("> G1 X20.000", "> G1 X20.4"),
        "is not what move 2",
    ),
    "another direction": (
        changed("> G1 X20.000", "> G1 X-20.000"), "is not what move 2",
    ),
    "another feed": (
        changed("> G1 X20.000 F1200", "> G1 X20.000 F1500"), "is not what move 2",
    ),
    "two axes": (
        changed("> G1 X20.000 F1200", "> G1 X20.000 Y1 F1200"), "is not what move 2",
    ),
    "a search that was announced as a move": (
        changed("> G1 X20.000 F1200", "> G28 X"), "is not what move 2",
    ),
    "a search on another axis": (
        changed("> G28 X", "> G28 Y"), "is not what move 1",
    ),
    "a move that was announced as a search": (
        changed("> G28 X", "> G1 X-200 F600"), "is not what move 1",
    ),
    "an announcement that is no number": (
        changed("by_mm=+20.000", "by_mm=1e1"), "is not what move 2",
    ),
    "nobody said how moves count": (
        without("0.322 > G91\n"), "before G90 or G91",
    ),
    "relative lines in absolute mode": (
        changed("0.322 > G91", "0.322 > G90"), "is not what move 1",
    ),
    "a rapid move that nobody may send": (
        changed("> G1 X20.000 F1200", "> G0 X20.000"), "is not what move 2",
    ),
    "an arc": (
        changed("20.000 > M104 S0", "19.000 > G2 X1 Y1 I1 J0\n20.000 > M104 S0"),
        "without a consent",
    ),
    "a bare axis word repeats the motion before it": (
        changed("20.000 > M104 S0", "19.000 > X5\n20.000 > M104 S0"), "without a consent",
    ),
    "spelled in another way": (
        changed("20.000 > M104 S0", "19.000 > n5 g 01x5\n20.000 > M104 S0"), "without a consent",
    ),
    "the next group begins while this one moves": (
        without(*lines_with("7.701")), "before group 7 had ended",
    ),
    "the same group again": (
        GOOD.replace("group=8", "group=7"), "was used before",
    ),
    "asked again after it had begun": (
        changed("6.512 >", "6.511 ~ CONFIRM x.near group=7 | again\n6.512 >"), "again after it had",
    ),
    "ended with a line unsent": (
        without("6.512 > G1 X20.000 F1200\n"), "1 of 2 lines sent",
    ),
    "ended without a wait": (
        without("6.514 > M400\n"), "before an answered wait",
    ),
    "ended before the wait was answered": (
        without("7.700 < ok\n"), "before an answered wait",
    ),
    "the end of another group": (
        changed("~ MOVED x.near group=7", "~ MOVED x.near group=6"), "is for group '6'",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("text", "finding"), BAD_MOVES.values(), ids=BAD_MOVES.keys())
def test_a_breach_of_consent_is_found(text: str, finding: str) -> None:
    findings = judged(text)
    assert any(finding in one for one in findings), findings


def test_a_finding_names_its_line_and_time() -> None:
    text = changed("> G1 X20.000", "> G1 X21.000")
    number = text.splitlines().index("6.512 > G1 X21.000 F1200") + 1
    (finding,) = judged(text)
    assert finding.startswith(f"line {number} (6.512 s): 'G1 X21.000 F1200' is not what move 2")


# --- rule 2: the list of words ----------------------------------------------------------

LEGAL = [
    "G1 X10 F1200", "G1 X+10. F1200", "G1 X-.5 F600.5", "G1X007.50F1", "G1 E-3 F60", "G1 X1 Y2 F3",
    "G28 X", "G28 Z", "G28 X0", "G21", "G90", "G91", "G94", "G4 P0", "G4 P.5", "M400",
    "M105", "M114", "M119", "M104 S0", "M140 S0", "M104S0.0", "M112", "M83",
    "N7 M105*32", "N0 M110 N0*125", "N123 G1 X-2.5 F600*4",
]  # fmt: skip
# Number forms after NISTIR 6556 section 3.3.2.1 (rule seen, examples derived from it).
ILLEGAL = [
    "G1 X1e3 F1200", "G1 X. F1200", "G1 X+ F1200", "G1 X1,5 F1200", "G1 X1.2.3 F1200",
    "G1 Xnan F1200", "G1 X1_0 F1200", "G1 X\u0661 F1200", "G1 X--1 F1200", "G1 X- 1 F1200",
    "G1 X10", "G1 F1200", "G1", "G1 X10 F0", "G1 X10 F-5", "G1 X1 X2 F3", "G1 X10 F1200 ",
    " G1 X10 F1200", "G1  X10 F1200", "g1 x10 f1200", "G01 X10 F1200", "G1 X10 F1200 S5",
    "G1 X10 F1200;now", "G1 X10 F1200 (now)", "N1 G1 X10 F1200", "G1 X10 F1200*55", "G1 X10\tF1200",
    "G0 X10", "G2 X1 Y1 I1", "G20", "G28", "G28 X Y", "G28 X5", "G28 X00", "G4 P-1", "G4", "G93",
    "M104 S200", "M140 S60", "M104", "M104 S00200", "M1404 S0", "M109 S0", "M14 S0", "M84", "M18",
    "N7 M105*35", "N7 M105", "N7*121", "N1 M110 N0*124", "N0 M110 N1*124", "M110 N0",
    "N7 M104 S200*96", "M112 ", "M1120", "M106 S255", "", "ok", "M105\x1b", "M105\x00",
    "G1 X" + "1" * 300 + " F1",
]  # fmt: skip
STORING = [
    "G10 L2 P1 X0", "G92 X0", "G92", "G92.1", "G28.1", "G30.1 X0", "M777", "M999",
    "#100=5", "$100=80", "$$", "#<scale>=1", "G1 X#5 F100", "g92 x0", "N7 M777*35",
]  # fmt: skip


@pytest.mark.parametrize("line", LEGAL)
def test_words_on_the_list_may_leave(line: str) -> None:
    assert check_bytes(line.encode() + b"\n") == []
    assert check_bytes(line.encode() + b"\r\n") == []


@pytest.mark.parametrize("line", ILLEGAL)
def test_anything_else_is_found(line: str) -> None:
    assert any("not on the list" in one for one in judged(f"1.0 > {line}")), line


def _xor(line: str) -> int:
    whole = 0
    for byte in line.encode():
        whole ^= byte
    return whole


HEAT = """\
20.0 ~ CAUTION warm word=WARNING group=5 line=1 of=1 | hot; hands off
20.0 ~ HEAT warm heater=nozzle target_c=45 group=5 line=1 of=1 | nozzle to 45
20.0 ~ CONFIRM warm group=5 | answer go or stop
21.0 ~ ANSWER warm | go
21.1 > M104 S45
21.2 < ok
30.0 ~ HEATED warm heater=nozzle now_c=45.0 | nozzle is at 45
"""


def test_heat_leaves_with_a_consent_of_its_own() -> None:
    assert judged(SETUP + HEAT) == []
    assert judged(SETUP + HEAT.replace("M104 S45", f"N7 M104 S45*{_xor('N7 M104 S45')}")) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("21.0 ~ ANSWER warm | go\n", ""),
        ("ANSWER warm | go", "ANSWER warm | stop"),
        ("> M104 S45", "> M104 S46"),
        ("> M104 S45", "> M140 S45"),
        ("> M104 S45", "> M104 S45\n21.1 > M104 S45"),
        ("~ HEAT warm", "~ MOVE warm"),
        ("21.1 > M104 S45", "51.1 > M104 S45"),
        ("heater=nozzle target_c=45", "heater=nozzle"),
    ],
)
def test_heat_without_it_is_found(old: str, new: str) -> None:
    assert old in HEAT
    text = HEAT.replace(old, new).partition("21.2 <")[0]
    assert any("not on the list" in one for one in judged(SETUP + text))


def test_a_move_does_not_leave_on_a_consent_to_heat() -> None:
    findings = judged(SETUP + HEAT.replace("> M104 S45", "> G1 X45 F600"))
    assert any("is not what move 1" in one for one in findings)


def test_bytes_that_heat_are_found_unless_a_session_heats() -> None:
    assert len(check_bytes(b"M104 S45\n")) == 1
    assert check_bytes(b"M104 S45\n", may_heat=True) == []


@pytest.mark.parametrize("line", STORING)
def test_storing_is_found_and_called_so(line: str) -> None:
    assert any("stores or shifts" in one for one in judged(f"1.0 > {line}")), line
    assert any("stores or shifts" in one for one in check_bytes(line.encode() + b"\n")), line


@pytest.mark.parametrize(
    ("raw", "count"),
    [
        (b"", 0),
        (b"\n\r\n\n", 0),
        (b"G21\nG91\r\nM105\n", 0),
        (b"G21\nM105", 1),
        (b"G21\rM105\n", 1),
        (b"\x00G21\n", 1),
        (b"G21\xff\nG91\x80\n", 2),
        (b"M105\n\x1b[2J\nM105\n", 1),
    ],
)
def test_bytes_on_the_wire(raw: bytes, count: int) -> None:
    assert len(check_bytes(raw)) == count


# --- rule 3: after a stop ---------------------------------------------------------------


@pytest.mark.parametrize(
    "stop",
    ["> M112", "~ ANSWER x.near | stop", "~ ANSWER x.3 | Stop ", "! stop requested"],
)
@pytest.mark.parametrize("line", ["G1 X1 F60", "G28 X", "G21", "G91", "M400", "G4 P0", "M84"])
def test_nothing_else_leaves_after_a_stop(stop: str, line: str) -> None:
    findings = judged(f"{SETUP}5.0 {stop}\n5.1 > M105\n5.1 > M104 S0\n5.2 > {line}\n")
    assert any("after a stop" in one for one in findings)
    assert all(line in one for one in findings)


def test_the_second_line_of_a_group_does_not_leave_after_a_stop() -> None:
    text = changed("6.512 >", "6.511 ~ ANSWER x.near | stop\n6.512 >")
    assert any("'G1 X20.000 F1200' was sent after a stop" in one for one in judged(text))


# --- reading ----------------------------------------------------------------------------


def test_records_are_read_from_a_file(tmp_path: Path) -> None:
    path = tmp_path / "conversation.txt"
    path.write_bytes("# µ\r\n\n0.5 > M105\r\n0.6 <\n0.6 < \n1 ~ NOTE x | ± | 2\n".encode())
    assert [(r.number, r.at_s, r.kind, r.text) for r in parse(path)] == [
        (3, 0.5, ">", "M105"),
        (4, 0.6, "<", ""),
        (5, 0.6, "<", ""),
        (6, 1.0, "~", "NOTE x | ± | 2"),
    ]


def test_what_has_no_meaning_for_the_rules_is_passed_over() -> None:
    text = "1.0 ~ NOTE x | y\n1.1 ! opened\n1.2 ~ MOVE x axis=X group=1 | no caution before\n"
    assert judged(text) == [
        "line 3 (1.2 s): MOVE 'x' is for group '1', and no group has cautions shown"
    ]


@pytest.mark.parametrize(
    "text",
    ["M105", "0.5 M105", "0.5 ? M105", "-1 > M105", "1e3 > M105", "0.5 >M105", "nan > M105",
     "2.0 > M105\n1.0 < ok"],
)  # fmt: skip
def test_what_is_no_record_is_refused_with_its_line(text: str) -> None:
    with pytest.raises(ValueError, match=r"line [12]"):
        parse_text(text)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("END exit=0", Shown("END", "", {"exit": "0"}, "")),
        ("NOTE refused | a=b | c", Shown("NOTE", "refused", {}, "a=b | c")),
        ("TEXT x.job default= | job", Shown("TEXT", "x.job", {"default": ""}, "job")),
        (
            "PROPOSAL x file=/home/a b/c=d.toml n=2 | written",
            Shown("PROPOSAL", "x", {"file": "/home/a b/c=d.toml", "n": "2"}, "written"),
        ),
        ("CAUTION  x.near.1 word=WARNING | mind", Shown("CAUTION", "x.near.1",
                                                        {"word": "WARNING"}, "mind")),
        (
            "CHOICE x.look.pulley-teeth.16 options=yes,no default= | 16?",
            Shown("CHOICE", "x.look.pulley-teeth.16", {"options": "yes,no", "default": ""}, "16?"),
        ),
        ("RESULT x verdict=keep stray", Shown("RESULT", "x", {"verdict": "keep stray"}, "")),
        ("NOTE x stray", Shown("NOTE", "x", {}, "")),
        ("", Shown("", "", {}, "")),
    ],
)  # fmt: skip
def test_plain_lines_are_taken_apart(text: str, shown: Shown) -> None:
    assert parse_shown(text) == shown
