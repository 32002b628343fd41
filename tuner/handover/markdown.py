"""Markdown for people, in which nothing from outside acts.

Text from outside becomes a code span: an address in it, escaped or not, is no link there.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from tuner.handover.document import Block, Document, Items, Paragraph, Picture, Table, Typed, Words
from tuner.text import shown

__all__ = ["as_markdown", "inert", "quoted"]

_SIGNS = re.compile(r"([\\`*_{}\[\]<>#|!&~$])")


def quoted(text: str) -> str:
    """Return outside `text` as a code span."""
    inside = shown(text)
    longest = max(map(len, re.findall("`+", inside)), default=0)
    fence = "`" * (longest + 1)
    # A sign at an end would join its fence; one blank at both ends is not shown (CommonMark 6.1).
    apart = " " if inside[:1] in "` " or inside[-1:] in "` " else ""
    return f"{fence}{apart}{inside}{apart}{fence}"


def inert(text: str) -> str:
    """Return a sentence of ours so that Markdown shows it as it is."""
    return _SIGNS.sub(r"\\\1", shown(text))


def as_markdown(document: Document) -> str:
    """Return `document` as Markdown; a picture is there in words only."""
    lines = [f"# {inert(document.title)}: {quoted(document.about.text)}"]
    for section in document.sections:
        lines += ["", f"## {inert(section.title)}"]
        for block in section.blocks:
            lines += ["", *_block(block)]
    return "\n".join(lines) + "\n"


def _block(block: Block) -> Iterator[str]:
    match block:
        case Paragraph(words=words, strong=strong):
            yield f"**{_words(words)}**" if strong else _words(words)
        case Items(entries=entries, to_do=to_do):
            yield from (f"- {'[ ] ' if to_do else ''}{_words(one)}" for one in entries)
        case Table(head=head, rows=rows):
            yield _row(head or ("",) * len(rows[0]))
            yield _row(("---",) * len(rows[0]))
            yield from map(_row, rows)
        case Picture(says=says):
            yield f"(picture on the HTML sheet: {_words(says)})"


def _row(cells: tuple[Words, ...]) -> str:
    return f"| {' | '.join(_cell(one) for one in cells)} |"


def _cell(words: Words) -> str:
    # A bar ends a cell, in a code span as well, unless it is escaped.
    text = _words(words)
    return text.replace("|", "\\|") if isinstance(words, Typed) else text


def _words(words: Words) -> str:
    if isinstance(words, Typed):
        return quoted(words.text) if words.text else ""
    return inert(words)
