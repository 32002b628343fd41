"""Text that tries to get out of where it is shown, and what may be left of it.

The rule: nothing here is taken from the program, so that a mistake there is not repeated.
"""

from __future__ import annotations

import re
import unicodedata

# Every byte, every code point below U+3000, and what lies above and is not to be seen.
EVERY_BYTE = [bytes([byte]) for byte in range(256)]
CODE_POINTS = [
    *map(chr, range(0x3000)),
    "\u3000", "\u3164", "\ud7b0", "\ud800", "\udc80", "\udfff", "\ue000", "\ufe00", "\ufe0f",
    "\ufeff", "\uffa0", "\ufff9", "\ufffb", "\uffff", "\U0001d173", "\U000e0001", "\U000e0041",
    "\U000e0100", "\U000e01ef", "\U000f0000", "\U0010ffff",
]  # fmt: skip

# ECMA-48 names in capitals; the others are common to terminals (common practice, from memory).
SEQUENCES = {
    "CUU": "\x1b[5A", "CUD": "\x1b[5B", "CUF": "\x1b[5C", "CUB": "\x1b[5D", "CNL": "\x1b[2E",
    "CPL": "\x1b[2F", "CHA": "\x1b[1G", "CUP": "\x1b[1;1H", "HVP": "\x1b[1;1f", "VPA": "\x1b[3d",
    "ED below": "\x1b[J", "ED all": "\x1b[2J", "ED scrollback": "\x1b[3J", "EL": "\x1b[2K",
    "ICH": "\x1b[3@", "DCH": "\x1b[3P", "IL": "\x1b[2L", "DL": "\x1b[2M", "ECH": "\x1b[9X",
    "REP": "\x1b[999b", "SU": "\x1b[3S", "SD": "\x1b[3T", "SGR concealed": "\x1b[8m",
    "SGR": "\x1b[31;47m", "SM": "\x1b[4h", "RM": "\x1b[4l", "DSR": "\x1b[6n", "DA": "\x1b[c",
    "MC": "\x1b[5i", "IND": "\x1bD", "NEL": "\x1bE", "RI": "\x1bM", "HTS": "\x1bH",
    "RIS": "\x1bc", "CSI of one byte": "\x9b2J", "OSC of one byte": "\x9d0;title\x9c",
    "DCS": "\x1bP$qm\x1b\\", "APC": "\x1b_text\x1b\\", "PM": "\x1b^text\x1b\\",
    "SOS": "\x1bXtext\x1b\\", "LS1": "\x0e", "LS0": "\x0f", "BEL": "\x07", "BS": "\x08\x08\x08",
    "save cursor": "\x1b7", "restore cursor": "\x1b8", "window title": "\x1b]0;title\x07",
    "clipboard": "\x1b]52;c;c3RvcA==\x07", "link": "\x1b]8;;http://x\x1b\\x\x1b]8;;\x1b\\",
    "alternate screen": "\x1b[?1049h", "hidden cursor": "\x1b[?25l", "scroll region": "\x1b[2;3r",
    "line drawing": "\x1b(0", "all E": "\x1b#8", "keypad": "\x1b=", "report title": "\x1b[21t",
    "mouse": "\x1b[?1003h", "paste end": "\x1b[201~",
}  # fmt: skip

TURNING = ["\u202egnp.exe", "\u2066a\u2069", "\u200e\u200f\u061c", "\u202a\u202b\u202c\u202d"]
PILED_UP = [
    "Z" + "\u0310\u0489\u0335" * 40, "\u0338=", "a" + "\ufe0f" * 50, "\u1160" * 9,
    "\u1112" + "\u1161\u11ab" * 30, "1" + "\u20e3" * 20, "\u0915" + "\u093e" * 60,
]  # fmt: skip
MARKED_UP = [
    "www.example.com", "http://example.com", "x@example.com", "<b>x</b>", "[a](b)", "![a](b)",
    "`a`", "``", "a`", " a", "**a**", "&lt;", "| a |", "# a", "- a", "$a$", "~~a~~", ":a:",
    "xmpp:x@example.com", "\\", "\\x1b", '"""', "'''", "a\nb", "a\r\nb", "\n# a", "\t",
]  # fmt: skip
TEXTS = [*SEQUENCES.values(), *TURNING, *PILED_UP, *MARKED_UP]

_NEVER = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
_MARKS = {"Mn", "Mc", "Me"}
# Default_Ignorable_Code_Point that no category above covers, DerivedCoreProperties.txt of the
# Unicode character database (from memory), and braille without a dot.
_NOT_TO_BE_SEEN = {
    *(0x34F, 0x115F, 0x1160, 0x17B4, 0x17B5, 0x180B, 0x180C, 0x180D, 0x180F, 0x2800, 0x3164),
    *(*range(0xFE00, 0xFE10), 0xFFA0, *range(0xE0100, 0xE01F0)),
}
# Jungseong and jongseong: Hangul_Syllable_Type V and T of the same database.
_JOINS = re.compile("[\u1160-\u11ff\ud7b0-\ud7c6\ud7cb-\ud7fb]")


def offences(text: str, *, line_ends: bool = False) -> list[str]:
    """Return what in `text` could act on a terminal, hide, turn around or pile up."""
    found = []
    standing = 0
    for character in text.replace("\n", "") if line_ends else text:
        category = unicodedata.category(character)
        if category in _NEVER or ord(character) in _NOT_TO_BE_SEEN:
            found.append(f"U+{ord(character):04X} {category}")
        standing = standing + 1 if category in _MARKS or _JOINS.match(character) else 0
        if standing > 2:
            found.append(f"U+{ord(character):04X} is one mark too many")
    return found
