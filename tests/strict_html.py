"""HTML read strictly: every tag known and closed in order, every attribute once and quoted.

A second opinion on our own pages, made from the HTML standard's rules for elements (WHATWG, from
memory) and not from the program.
"""

from __future__ import annotations

import re
from html.parser import HTMLParser

_VOID = {"meta"}
_ALLOWED_IN = {
    "html": {"head", "body"}, "head": {"meta", "title", "style"}, "body": {"h1", "section"},
    "section": {"h2", "p", "ul", "table", "div"}, "ul": {"li"}, "li": {"span"}, "p": {"span"},
    "table": {"thead", "tbody"}, "thead": {"tr"}, "tbody": {"tr"}, "tr": {"th", "td"},
    "th": {"span"}, "td": {"span"}, "div": {"figure"}, "figure": {"svg", "figcaption"},
    "svg": {"rect", "path", "text", "circle"},
}  # fmt: skip
_REACHING = re.compile(r"(?:https?|file|data|javascript):|//|url\(|@import", re.IGNORECASE)


class Page(HTMLParser):
    """One page: `faults` against the rules, `reaches_out` what could load or run something."""

    def __init__(self, source: str) -> None:
        super().__init__(convert_charrefs=True)
        self.faults: list[str] = []
        self.reaches_out: list[str] = []
        self.pictures: list[str] = []
        self._open: list[str] = []
        self._pieces: list[tuple[str, str]] = []
        self._tables: dict[str, list[list[str]]] = {}
        self._heading = ""
        if not source.startswith("<!DOCTYPE html>\n"):
            self.faults.append("no doctype")
        self.feed(source)
        self.close()
        if self._open:
            self.faults.append(f"left open: {self._open}")

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        inside = self._open[-1] if self._open else ""
        if inside and tag not in _ALLOWED_IN.get(inside, set()):
            self.faults.append(f"<{tag}> in <{inside}>")
        names = [name for name, _ in attrs]
        if len({*names}) < len(names):
            self.faults.append(f"twice in <{tag}>: {names}")
        for name, value in attrs:
            if value is None or "<" in value:
                self.faults.append(f"{name}={value}")
            is_namespace = (name, value) == ("xmlns", "http://www.w3.org/2000/svg")
            is_active = name.startswith("on") or name in ("href", "src", "style", "action")
            if is_active or (_REACHING.search(value or "") and not is_namespace):
                self.reaches_out.append(f"<{tag} {name}={value}>")
        if tag in ("script", "link", "iframe", "img", "object", "a", "form"):
            self.reaches_out.append(f"<{tag}>")
        if tag == "svg":
            self.pictures.append("")
        if tag == "tr":
            self._tables.setdefault(self._heading, []).append([])
        if tag in ("td", "th"):
            self._tables[self._heading][-1].append("")
        if tag not in _VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if "svg" not in self._open:
            self.faults.append(f"<{tag}/>")
        self._open.pop()

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open.pop() != tag:
            self.faults.append(f"</{tag}> closes something else")

    def handle_data(self, data: str) -> None:
        inside = self._open[-1] if self._open else ""
        self._pieces.append((inside, data))
        if inside == "style" and _REACHING.search(data):
            self.reaches_out.append("style")
        if inside == "h2":
            self._heading = data
        if {"td", "th"} & {*self._open}:
            self._tables[self._heading][-1][-1] += data

    def handle_comment(self, data: str) -> None:
        self.faults.append(f"a comment: {data}")

    @property
    def text(self) -> str:
        """Everything a person can read."""
        return "".join(data for inside, data in self._pieces if inside not in ("style", "title"))

    @property
    def words_only(self) -> str:
        """Everything a person can read but for the numbers of pictures."""
        left_out = ("style", "title", "text")
        return "".join(data for inside, data in self._pieces if inside not in left_out)

    def rows(self, heading: str) -> list[list[str]]:
        """Return the rows of the table under `heading`."""
        return self._tables[heading]

    def numbers(self, axis: str, which: int = 0) -> list[str]:
        """Return one cell of what 100 mm are on `axis`, the first or a later one."""
        row = next(row for row in self.rows("As found and as left") if row[0] == axis)
        return [[one for one in row if "±" in one][which]]
