"""The one renderer of text that came from outside.

Device lines, port descriptions, card names, file names and typed answers go through
``shown`` before they reach a terminal, a logbook, a transcript or a file. What cannot be
seen, or can move a cursor or turn the direction of writing, becomes a visible escape such
as ``\\x1b`` or ``\\u202e``; the rest stays as it is. Nothing is dropped, so two different
texts stay different.
"""

from __future__ import annotations

import unicodedata

_HIDDEN_CATEGORIES = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_BLANKS_THAT_LOOK_LIKE_NOTHING = frozenset({"\u115f", "\u1160", "\u2800", "\u3164", "\uffa0"})


def _visible(character: str) -> str:
    if character == "\\":
        return "\\\\"
    hidden = (
        unicodedata.category(character) in _HIDDEN_CATEGORIES
        or character in _BLANKS_THAT_LOOK_LIKE_NOTHING
    )
    if not hidden:
        return character
    code = ord(character)
    if code <= 0xFF:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def shown(text: str) -> str:
    """Return `text` on one line with every unprintable character made visible."""
    if text.isascii() and text.isprintable() and "\\" not in text:
        return text
    return "".join(map(_visible, text))


def clipped(text: str, longest: int) -> str:
    """Return `text`, or its first `longest` - 1 characters and an ellipsis."""
    return text if len(text) <= longest else text[: longest - 1] + "…"
