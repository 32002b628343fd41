"""What a sheet is made of, before it is a file: sections of words, lists, tables and pictures.

The same document becomes HTML and Markdown, so the twins cannot say different things. What came
from outside is marked as ``Typed``, and each renderer makes it inert in its own way.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "Block",
    "Document",
    "Items",
    "Paragraph",
    "Picture",
    "Section",
    "Table",
    "Typed",
    "Words",
]


@dataclass(frozen=True)
class Typed:
    """Text from outside, such as the name of a machine or what a customer said."""

    text: str


Words = str | Typed
"""A sentence of ours, or text from outside."""


@dataclass(frozen=True)
class Paragraph:
    """Some words; `strong` where they must not be overlooked."""

    words: Words
    strong: bool = False


@dataclass(frozen=True)
class Items:
    """A list; `to_do` gives each entry a box to be ticked by hand."""

    entries: tuple[Words, ...]
    to_do: bool = False


@dataclass(frozen=True)
class Table:
    """Rows of cells under a `head`, which may be empty; the first cell of a row names it."""

    head: tuple[str, ...]
    rows: tuple[tuple[Words, ...], ...]


@dataclass(frozen=True)
class Picture:
    """A drawing as inline SVG, and what it shows in words, which stand alone in Markdown."""

    svg: str
    says: str


Block = Paragraph | Items | Table | Picture


@dataclass(frozen=True)
class Section:
    """A titled part of a document."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Document:
    """A whole sheet; `about` is what the title is about, such as a machine."""

    title: str
    about: Typed
    sections: tuple[Section, ...]
