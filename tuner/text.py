"""The one renderer of text that came from outside.

Device lines, port descriptions, card names, file names and typed answers go through here
before they reach a terminal, a transcript or a file. What cannot be seen, can move a cursor,
turn the direction of writing or pile up on another character becomes a visible escape such
as ``\\x1b`` or ``\\u202e``; the rest stays as it is.

* ``shown`` is for what is kept or quoted: two different texts stay different, and
  ``as_it_was`` gives each of them back.
* ``visible`` is for the screen: the same, but a backslash stands as it was typed.
* ``covered`` keeps the length, for text in which a cursor stands.

Marks that stand on the character before them stay where writing needs them: at most two on one
character, none where a text begins. So no text grows out of its line, and none changes what
stands in front of it.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator

__all__ = ["as_it_was", "clipped", "covered", "shown", "slug", "visible"]

# Vietnamese, Thai and Hebrew put two marks on a letter; three are rare, more are decoration.
_MOST_MARKS = 2
_MARKS = frozenset({"Mn", "Mc", "Me"})
# Vowels and ends of Korean syllables join the letter before them and take no place of their own.
_JOINING = re.compile("[\u1161-\u11ff\ud7b0-\ud7ff]")
# Printable by their category, but drawn as nothing: fillers, joiners, variation selectors
# (Default_Ignorable_Code_Point in the Unicode character database), and the empty braille cell.
_DRAWN_AS_NOTHING = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0"
    "\U000e0100-\U000e01ef]"
)
_ESCAPE = re.compile(r"\\(?:\\|x[0-9a-f]{2}|u[0-9a-f]{4}|U[0-9a-f]{8})")
_COVER = "\N{REPLACEMENT CHARACTER}"


def _escape(character: str) -> str:
    code = ord(character)
    if code <= 0xFF:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def _pieces(text: str) -> Iterator[str]:
    """Yield for every character of `text` itself, or its escape, which is longer."""
    room_for_marks = 0
    for character in text:
        if not character.isprintable() or _DRAWN_AS_NOTHING.match(character):
            room_for_marks = 0
            yield _escape(character)
        elif unicodedata.category(character) in _MARKS or _JOINING.match(character):
            yield character if room_for_marks else _escape(character)
            room_for_marks = max(0, room_for_marks - 1)
        else:
            room_for_marks = _MOST_MARKS
            yield character


def shown(text: str) -> str:
    """Return `text` on one line, escapes in place of what is no plain sight; see ``as_it_was``."""
    if text.isascii() and text.isprintable() and "\\" not in text:
        return text
    return "".join("\\\\" if piece == "\\" else piece for piece in _pieces(text))


def as_it_was(text: str) -> str:
    """Return the text that ``shown`` made `text` from."""
    return _ESCAPE.sub(
        lambda match: "\\" if match[0] == r"\\" else chr(int(match[0][2:], 16)), text
    )


def visible(text: str) -> str:
    """Return `text` as ``shown`` does, but with every backslash that is in it single.

    What ``shown`` returned stays as it is.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(_pieces(text))


def covered(text: str) -> str:
    """Return `text` with one sign in place of each character that ``shown`` would escape.

    The result is `text` itself exactly when there is nothing to escape.
    """
    return "".join(piece if len(piece) == 1 else _COVER for piece in _pieces(text))


def clipped(text: str, longest: int) -> str:
    """Return `text`, or its first `longest` - 1 characters and an ellipsis."""
    return text if len(text) <= longest else text[: longest - 1] + "…"


def slug(text: str) -> str:
    """Return `text` as lower-case words joined by dashes, safe in a file name."""
    words = re.findall(r"[a-z0-9]+", text.lower())
    return "-".join(words)[:40] or "machine"
