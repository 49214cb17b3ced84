"""Page: what the assembly book's HTML is written with, and how it looks on paper.

Everything that is not made here goes through `text`, so that no name of a figure, a seam or
a printer can become markup.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from html import escape

STYLE = """
@page { size: A4; margin: 14mm 15mm 16mm; @bottom-center { content: counter(page); } }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 180mm; font: 10.5pt/1.4 "Helvetica Neue", Arial,
  "Liberation Sans", "DejaVu Sans", sans-serif; color: #111; background: #fff; }
h1 { font-size: 26pt; line-height: 1.15; margin: 0 0 1mm; overflow-wrap: anywhere; }
h2 { font-size: 16pt; margin: 8mm 0 3mm; border-bottom: 0.4mm solid #111; padding-bottom: 1mm; }
h3 { font-size: 12pt; margin: 5mm 0 1.5mm; }
h2, h3 { break-after: avoid; }
p { margin: 0 0 2mm; }
ul, ol { margin: 0 0 2mm; padding-left: 5mm; }
li { margin: 0 0 0.8mm; }
table { border-collapse: collapse; width: 100%; margin: 0 0 3mm; }
caption { text-align: left; font-weight: bold; margin-bottom: 1mm; }
th, td { border-bottom: 0.15mm solid #999; padding: 0.8mm 1.4mm 0.8mm 0; text-align: left;
  vertical-align: top; }
table.names td:first-of-type, td.why { overflow-wrap: anywhere; }
thead th { border-bottom: 0.4mm solid #111; vertical-align: bottom; }
thead { display: table-header-group; }
tr, tbody.one { break-inside: avoid; }
td.n, th.n { text-align: right; padding-right: 4mm; font-variant-numeric: tabular-nums; }
.small, table.small { font-size: 8.5pt; }
table.tight { font-size: 7.6pt; line-height: 1.3; }
tbody.one td.why { color: #333; padding-bottom: 1.6mm; }
tbody.one tr:first-child > * { border-bottom: 0; }
svg { max-width: 100%; height: auto; display: block; }
figure { margin: 0 0 3mm; max-width: 100%; }
figcaption { font-size: 8.5pt; color: #333; }
.lead { font-size: 13pt; color: #333; margin-bottom: 3mm; }
.box { border: 0.7mm solid #111; padding: 2.5mm 4mm 1.5mm; margin: 0 0 4mm; break-inside: avoid; }
.box h2, .box h3 { border: 0; margin: 0 0 1mm; padding: 0; font-size: 12.5pt; }
.box ul { font-size: 9.5pt; line-height: 1.3; }
.facts { columns: 2; column-gap: 8mm; margin: 0 0 3mm; padding: 0; list-style: none; }
.side { display: flex; gap: 6mm; align-items: flex-start; break-inside: avoid; }
.side > figure { flex: 0 0 auto; }
.side > div { flex: 1 1 40mm; min-width: 0; }
.pair { display: flex; gap: 4mm; justify-content: center; align-items: flex-end;
  break-inside: avoid; }
.pair figure { flex: 0 1 auto; min-width: 0; }
.step, .build { break-inside: avoid; margin-bottom: 6mm; }
.ticks { list-style: none; padding: 0; }
.ticks li { margin-bottom: 1.5mm; }
.ticks label { display: flex; gap: 2.5mm; align-items: flex-start; }
.ticks small { display: block; color: #333; line-height: 1.25; }
.ticks input { flex: 0 0 auto; width: 5mm; height: 5mm; margin: 0; }
nav ol { columns: 2; }
a { color: inherit; }
.new { break-before: page; }
@media screen { body { padding: 8mm 4mm; } }
@media screen and (max-width: 150mm) {
  .side, .pair { display: block; }
  .facts, nav ol { columns: 1; }
}
"""

_TAG = re.compile(r"<[^>]*>")
_UNFIT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ufdd0-\ufdef\ufffe\uffff]")


def text(words: object) -> str:
    """Anything as text that cannot be markup."""
    return escape(str(words), quote=True)


def document(title: str, body: Iterable[str]) -> str:
    """A whole HTML document in English that needs nothing else."""
    whole = "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en">',
            '<head><meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{text(title)}</title>",
            f"<style>{STYLE}</style></head>",
            "<body><main>",
            *body,
            "</main></body>",
            "</html>",
        ]
    )
    # Control characters in a name have no place in HTML, not even written as entities.
    return _UNFIT.sub("\ufffd", whole) + "\n"


def section(name: str, heading: str, body: Iterable[str], *, new: bool = True) -> str:
    """A section with its heading. name : what links to it call it. new : on a new page."""
    kind = ' class="new"' if new else ""
    inner = "\n".join(part for part in body if part)
    return (
        f'<section id="{text(name)}" aria-labelledby="{text(name)}-heading"{kind}>\n'
        f'<h2 id="{text(name)}-heading">{text(heading)}</h2>\n{inner}\n</section>'
    )


def paragraph(words: str, kind: str = "") -> str:
    """One paragraph."""
    return f"<p{_class(kind)}>{text(words)}</p>"


def bullets(items: Iterable[str], kind: str = "") -> str:
    """A list of sentences; nothing if there is none."""
    rows = "".join(f"<li>{text(item)}</li>" for item in items)
    return f"<ul{_class(kind)}>{rows}</ul>" if rows else ""


def ticks(items: Iterable[tuple[str, str]]) -> str:
    """A list of things to tick off, each with what else is to be said of it."""
    rows = []
    for item, more in items:
        small = f"<small>{text(more)}</small>" if more else ""
        label = f'<input type="checkbox"><span><b>{text(item)}</b>{small}</span>'
        rows.append(f"<li><label>{label}</label></li>")
    return f'<ul class="ticks">{"".join(rows)}</ul>' if rows else ""


def table(
    caption: str, columns: Sequence[str], rows: Iterable[Sequence[object]], kind: str = "small"
) -> str:
    """A table, the first cell of each row its heading; numbers go to the right."""
    body = []
    lines = [[*map(str, row)] for row in rows]
    right = [bool(lines) and all(_is_number(row[k]) for row in lines) for k in range(len(columns))]
    for row in lines:
        head, *rest = row
        cells = "".join(
            f"<td{_right(r)}>{text(c)}</td>" for c, r in zip(rest, right[1:], strict=True)
        )
        body.append(f'<tr><th scope="row"{_right(right[0])}>{text(head)}</th>{cells}</tr>')
    heads = "".join(
        f'<th scope="col"{_right(r)}>{text(c)}</th>' for c, r in zip(columns, right, strict=True)
    )
    return (
        f"<table{_class(kind)}><caption>{text(caption)}</caption>"
        f"<thead><tr>{heads}</tr></thead><tbody>{''.join(body)}</tbody></table>"
    )


def figure(svg: str, caption: str = "") -> str:
    """A picture as wide as it says, with what it shows below it."""
    below = f"<figcaption>{text(caption)}</figcaption>" if caption else ""
    wide = re.findall(r' width="([\d.]+mm)"', svg[: svg.index(">")])[0]
    return f'<figure style="width:{wide}">{svg}{below}</figure>'


def inlined(svg: str, name: str, box: tuple[float, float, float, float], wide: float) -> str:
    """An SVG file's text for use within a page.

    Its ids get `name` in front, for they must be unlike those of other pictures.

    box : left, top, width and height of what is shown of it. wide : mm on paper.
    """
    said = re.findall(r"<title>([^<]*)</title>", svg)[0].replace('"', "&quot;")

    def renamed(tag: re.Match[str]) -> str:
        found = tag.group(0).replace(' id="', f' id="{name}-').replace("url(#", f"url(#{name}-")
        return opened(box, wide / box[2], said) if found.startswith("<svg ") else found

    return _TAG.sub(renamed, svg.strip())


def opened(box: tuple[float, float, float, float], scale: float, said: str) -> str:
    """The start of an SVG element.

    box : left, top, width and height. scale : mm on paper of a unit. said : what it shows,
    as text that cannot be markup.
    """
    left, top, wide, high = box
    return (
        f'<svg viewBox="{left:.2f} {top:.2f} {wide:.2f} {high:.2f}" width="{wide * scale:.1f}mm" '
        f'height="{high * scale:.1f}mm" role="img" aria-label="{said}" font-family="sans-serif">'
    )


def _class(kind: str) -> str:
    return f' class="{kind}"' if kind else ""


def _right(is_number: bool) -> str:
    return ' class="n"' if is_number else ""


def _is_number(cell: str) -> bool:
    return bool(re.fullmatch(r"[-+]?[\d.,]*", cell))
