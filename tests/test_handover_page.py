"""The two renderers of a sheet: valid, reaching nowhere, and with every text inert."""

from __future__ import annotations

import re

import pytest
from hostile import TEXTS, offences
from strict_html import Page

from tuner.handover.document import Document, Items, Paragraph, Picture, Section, Table, Typed
from tuner.handover.markdown import as_markdown, quoted
from tuner.handover.page import as_html
from tuner.handover.picture import residual_svg
from tuner.text import shown

ATTACKS = [
    *(text for text in TEXTS if not re.search("[\ud800-\udfff]", text)),
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "</title><script>",
    "</style><link href=//x>", "&#60;script&#62;", "<!--", "]]>", "' onload='x", "</td></table>",
    "{{7*7}}", "javascript:alert(1)", "<svg onload=alert(1)>",
]  # fmt: skip
SVG = residual_svg([0.0, 1.0], [0.01, -0.01], [1.0, -1.0], 0.02)


def everywhere(text: str) -> Document:
    """Return a document with `text` from outside wherever there is room for it."""
    typed = Typed(text)
    blocks = (
        Paragraph(typed, strong=True),
        Paragraph(typed),
        Items((typed, "ours"), to_do=True),
        Items((typed,)),
        Table(("first", "second"), ((typed, "ours"), ("ours", typed))),
        Table((), (("ours", typed),)),
        Picture(SVG, "ours"),
    )
    return Document("Sheet", typed, (Section("All", blocks),))


@pytest.mark.parametrize("text", ATTACKS, ids=ascii)
def test_whatever_comes_from_outside_is_only_read(text: str) -> None:
    source = as_html(everywhere(text))
    page = Page(source)
    assert page.faults == []
    assert page.reaches_out == []
    assert page.text.count(shown(text)) >= 8
    assert offences(source, line_ends=True) == []
    assert source.count("\n") == as_html(everywhere("plain")).count("\n")


@pytest.mark.parametrize("text", ATTACKS, ids=ascii)
def test_in_markdown_it_is_a_code_span(text: str) -> None:
    source = as_markdown(everywhere(text))
    assert offences(source, line_ends=True) == []
    assert source.count("\n") == as_markdown(everywhere("plain")).count("\n")
    rows = [line for line in source.splitlines() if line.startswith("|")]
    assert {len(re.findall(r"(?<!\\)\|", row)) for row in rows} == {3}
    bare = source.replace("\\|", "|")
    assert bare.count(quoted(text)) == 8
    assert len(text) < 5 or shown(text) not in bare.replace(quoted(text), "")


def test_a_reader_that_ignores_the_escapes_still_loads_nothing() -> None:
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', as_html(everywhere("a")))
    assert policy is not None
    assert policy[1] == "default-src 'none'; style-src 'unsafe-inline'"


def test_pictures_of_a_section_stand_side_by_side() -> None:
    both = Section("All", (Picture(SVG, "one"), Picture(SVG, "two")))
    source = as_html(Document("Sheet", Typed("m"), (both,)))
    assert source.count('<div class="pictures">') == 1
    assert len(Page(source).pictures) == 2
    markdown = as_markdown(Document("Sheet", Typed("m"), (both,)))
    assert "(picture on the HTML sheet: one)\n\n(picture on the HTML sheet: two)" in markdown
    assert "<svg" not in markdown


def test_what_is_strong_and_what_is_to_be_done() -> None:
    markdown = as_markdown(everywhere("x"))
    assert "**`x`**" in markdown
    assert "- [ ] `x`\n- [ ] ours" in markdown
    assert as_html(everywhere("x")).count('class="box"') == 2
