"""One HTML file that needs nothing else: no script, no link, nothing from outside but text.

Every text goes through ``escaped``, the one way in. The page is light, and prints on A4 and on
Letter alike because it names neither.
"""

from __future__ import annotations

import html
from collections.abc import Iterator

from tuner.handover.document import Block, Document, Items, Paragraph, Picture, Table, Typed, Words
from tuner.text import shown

__all__ = ["as_html", "escaped"]

# Even what an escape missed could load nothing and run nothing.
_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
_STYLE = """
:root { color-scheme: light }
@page { margin: 12mm }
* { box-sizing: border-box }
body { font: 9pt/1.3 sans-serif; color: #111; background: #fff; max-width: 190mm;
  margin: 0 auto; padding: 4mm; overflow-wrap: anywhere }
h1 { font-size: 14pt; margin: 0 0 1mm; border-bottom: 0.6mm solid #111; padding-bottom: 1mm }
h2 { font-size: 11pt; margin: 2.2mm 0 0.7mm; break-after: avoid }
p { margin: 0 0 1.2mm }
ul { margin: 0 0 1.2mm; padding-left: 5mm }
li { margin-bottom: 0.3mm }
li:last-child { break-before: avoid }
ul.to-do { list-style: none; padding-left: 0 }
ul.to-do li { padding-left: 6mm; text-indent: -6mm }
.box { display: inline-block; width: 3mm; height: 3mm; border: 0.3mm solid #111;
  margin-right: 3mm; vertical-align: -0.3mm }
table { border-collapse: collapse; width: calc(100% - 1mm); margin: 0 0.5mm 2mm;
  break-inside: avoid }
th, td { border: 0.2mm solid #999; padding: 0.4mm 1.5mm; text-align: left; vertical-align: top }
table.facts th { width: 38mm }
th { background: #eee; font-weight: bold }
.strong { font-weight: bold; border-left: 1mm solid #111; padding-left: 2mm }
.typed { white-space: pre-wrap; unicode-bidi: isolate }
.pictures { display: flex; flex-wrap: wrap; gap: 2mm 3mm }
figure { margin: 0; width: 58mm; break-inside: avoid }
figcaption { font-size: 7.5pt }
svg { display: block; width: 100%; height: auto }
@media print { body { padding: 0; max-width: none }
  th { -webkit-print-color-adjust: exact; print-color-adjust: exact } }
"""


def escaped(text: str) -> str:
    """Return `text` on one line, with no sign in it that means something in HTML or hides."""
    return html.escape(shown(text))


def as_html(document: Document) -> str:
    """Return `document` as a page of its own."""
    title = f"{escaped(document.title)}: {escaped(document.about.text)}"
    lines = [
        "<!DOCTYPE html>",
        '<html lang="en">',
        "<head>",
        '<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{title}</title>",
        f"<style>{_STYLE}</style>",
        "</head>",
        "<body>",
        f"<h1>{title}</h1>",
    ]
    for section in document.sections:
        lines += ["<section>", f"<h2>{escaped(section.title)}</h2>"]
        lines += _blocks(section.blocks)
        lines.append("</section>")
    return "\n".join([*lines, "</body>", "</html>", ""])


def _blocks(blocks: tuple[Block, ...]) -> Iterator[str]:
    pictures = [one for one in blocks if isinstance(one, Picture)]
    for block in blocks:
        if not isinstance(block, Picture):
            yield from _block(block)
        elif block is pictures[0]:  # all of a section stand side by side
            yield '<div class="pictures">'
            for one in pictures:
                yield f"<figure>{one.svg}<figcaption>{escaped(one.says)}</figcaption></figure>"
            yield "</div>"


def _block(block: Paragraph | Items | Table) -> Iterator[str]:
    match block:
        case Paragraph(words=words, strong=strong):
            yield f'<p class="strong">{_words(words)}</p>' if strong else f"<p>{_words(words)}</p>"
        case Items(entries=entries, to_do=to_do):
            yield '<ul class="to-do">' if to_do else "<ul>"
            box = '<span class="box"></span>' if to_do else ""
            yield from (f"<li>{box}{_words(one)}</li>" for one in entries)
            yield "</ul>"
        case Table(head=head, rows=rows):
            yield "<table>" if head else '<table class="facts">'
            if head:
                cells = "".join(f'<th scope="col">{_words(one)}</th>' for one in head)
                yield f"<thead><tr>{cells}</tr></thead>"
            yield "<tbody>"
            for name, *others in rows:
                cells = "".join(f"<td>{_words(one)}</td>" for one in others)
                yield f'<tr><th scope="row">{_words(name)}</th>{cells}</tr>'
            yield "</tbody>"
            yield "</table>"


def _words(words: Words) -> str:
    if isinstance(words, Typed):
        return f'<span class="typed">{escaped(words.text)}</span>'
    return escaped(words)
