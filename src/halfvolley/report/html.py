"""A report as one HTML page; no file beside it is needed, and none is asked for."""

import base64
from collections.abc import Callable, Mapping
from html import escape
from typing import Any

from halfvolley.report.document import (
    Beside,
    Block,
    Document,
    Drawing,
    Grid,
    Items,
    Link,
    Photo,
    Section,
    Tiles,
    Words,
)
from halfvolley.report.figures.save import Printed
from halfvolley.report.language import Language
from halfvolley.report.look import END_A, HAIR, INK, PAPER, SOFT, SURFACE

_STYLE = f"""
:root {{ color-scheme: light; }}
* {{ box-sizing: border-box; }}
body {{ font: 1rem/1.5 system-ui, "Segoe UI", Roboto, Helvetica, Arial, sans-serif; color: {INK};
  background: {PAPER}; margin: 0; }}
header, main, nav ul {{ max-width: 64rem; margin: 0 auto; padding: 0 1.25rem; }}
header {{ padding-top: 2rem; padding-bottom: 1rem; }}
h1 {{ font-size: 2rem; line-height: 1.2; margin: 0; letter-spacing: -.01em; }}
header p {{ margin: .3rem 0 0; color: {SOFT}; }}
nav {{ position: sticky; top: 0; z-index: 1; background: {PAPER};
  border-bottom: 1px solid {HAIR}; }}
nav ul {{ display: flex; flex-wrap: wrap; gap: 0 1.4rem; list-style: none; }}
nav a {{ display: inline-block; padding: .6rem 0; color: {INK}; text-decoration: none; }}
nav a:hover, nav a:focus-visible {{ text-decoration: underline; text-underline-offset: .3em; }}
section {{ padding: 1.6rem 0 1rem; border-bottom: 1px solid {HAIR}; scroll-margin-top: 3rem; }}
.kicker {{ font-size: .9rem; font-weight: 600; color: {END_A}; margin: 0; }}
h2 {{ font-size: 1.5rem; line-height: 1.25; margin: 0 0 1rem; text-wrap: balance; }}
h3, figcaption b, caption {{ font-size: 1.02rem; font-weight: 600; line-height: 1.3;
  color: {INK}; }}
h3 {{ margin: 1.6rem 0 .4rem; }}
p, li {{ max-width: 44rem; }}
ul {{ padding-left: 1.2rem; margin: .3rem 0 1rem; }}
.findings li {{ font-size: 1.1rem; margin-bottom: .3rem; }}
.tiles {{ display: grid; grid-template-columns: repeat(auto-fit, minmax(9.5rem, 1fr)); gap: 1.2rem;
  margin: 0 0 1.2rem; }}
.tiles div {{ border-left: 3px solid {END_A}; padding-left: .7rem; }}
.tiles dt {{ font-size: .95rem; line-height: 1.3; }}
.tiles dd {{ margin: 0; }}
.tiles .value {{ font-size: 1.6rem; font-weight: 600; line-height: 1.2; }}
.tiles .note {{ font-size: .85rem; font-weight: 400; line-height: 1.3; }}
.tiles div {{ display: flex; flex-direction: column; }}
.tiles .value {{ order: -1; }}
.beside {{ display: grid; gap: 0 2rem; align-items: start; }}
@media (min-width: 46rem) {{ .beside {{ grid-template-columns: var(--columns); }} }}
figure {{ margin: 0 0 1.4rem; min-width: 0; }}
figcaption {{ margin-bottom: .4rem; }}
figcaption b, figcaption span {{ display: block; }}
figcaption span, .note {{ color: {SOFT}; font-size: .88rem; line-height: 1.4; max-width: 48rem; }}
svg, img {{ display: block; width: 100%; height: auto; }}
img {{ border-radius: 4px; }}
.wide {{ overflow-x: auto; }}
.scroll {{ overflow-x: auto; margin: 1rem 0 .4rem; }}
.tall {{ max-height: 32rem; overflow-y: auto; }}
table {{ border-collapse: collapse; font-variant-numeric: tabular-nums; font-size: .9rem; }}
caption {{ text-align: left; padding-bottom: .4rem; }}
th, td {{ text-align: right; padding: .25rem .9rem .25rem 0; vertical-align: top; }}
td, tbody th {{ white-space: nowrap; }}
td.wide {{ white-space: normal; min-width: 14rem; }}
thead th {{ font-weight: 600; vertical-align: bottom; border-bottom: 1px solid {SOFT};
  background: {PAPER}; position: sticky; top: 0; }}
th small {{ display: block; font-weight: 400; color: {SOFT}; }}
tbody th {{ font-weight: 400; text-align: left; }}
thead th:first-child, .words {{ text-align: left; }}
tbody tr + tr > * {{ border-top: 1px solid {SURFACE}; }}
a {{ color: {END_A}; }}
:focus-visible {{ outline: 3px solid {END_A}; outline-offset: 2px; }}
.skip {{ position: absolute; left: -99rem; }}
.skip:focus {{ left: 1rem; top: .5rem; background: {PAPER}; padding: .4rem .8rem; z-index: 2; }}
footer {{ max-width: 64rem; margin: 0 auto; padding: 1rem 1.25rem 3rem; color: {SOFT};
  font-size: .88rem; }}
@media print {{
  @page {{ margin: 14mm; }}
  body {{ font-size: 10pt; }}
  nav, .skip {{ display: none; }}
  header, main, footer {{ max-width: none; padding-left: 0; padding-right: 0; }}
  section {{ border: 0; }}
  section + section {{ break-before: page; }}
  .beside {{ grid-template-columns: var(--columns); }}
  figure, tr, .tiles {{ break-inside: avoid; }}
  h2, h3, caption {{ break-after: avoid; }}
  .scroll, .tall, .wide {{ overflow: visible; max-height: none; }}
  svg {{ min-width: 0 !important; }}
  thead th {{ position: static; }}
}}
"""
REM_PER_IN, LEAST_REM_PER_IN = 9.0, 5.5  # a figure's largest size, and a wide one's least
WIDE_IN = 6.0  # wider figures are wide
TALL = 30  # rows; a longer table scrolls within the page


def page_html(document: Document, figures: Mapping[str, Printed], say: Language) -> str:
    """A report as HTML.

    Parameters
    ----------
    document : Document
        What it says.
    figures : mapping of str to Printed
        Its drawings by key.
    say : Language
        Its language.
    """
    links = "".join(
        f'<li><a href="#{s.key}">{escape(s.kicker)}</a></li>' for s in document.sections
    )
    sections = "\n".join(_section(s, figures) for s in document.sections)
    return (
        f'<!doctype html>\n<html lang="{say.code}"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(document.title)}</title><style>{_STYLE}</style></head>\n<body>"
        f'<a class="skip" href="#content">{escape(say("To the content"))}</a>\n'
        f"<header><h1>{escape(document.title)}</h1><p>{escape(document.subtitle)}</p></header>\n"
        f'<nav aria-label="{escape(say("Contents"))}"><ul>{links}</ul></nav>\n'
        f'<main id="content" tabindex="-1">\n{sections}\n</main>\n'
        f"<footer>{escape(say('Measured with halfvolley from one fixed camera.'))}</footer>\n"
        "</body></html>\n"
    )


def _section(section: Section, figures: Mapping[str, Printed]) -> str:
    blocks = "\n".join(_block(b, figures) for b in section.blocks)
    return (
        f'<section id="{section.key}" aria-labelledby="{section.key}-title">'
        f'<p class="kicker">{escape(section.kicker)}</p>'
        f'<h2 id="{section.key}-title">{escape(section.title)}</h2>\n{blocks}</section>'
    )


def _block(block: Block, figures: Mapping[str, Printed]) -> str:
    if isinstance(block, Drawing):
        return _drawing(block, figures[block.key])
    if isinstance(block, Beside):
        return _beside(block, figures)
    write: Callable[[Any], str] = _WRITE[type(block)]
    return write(block)


def _words(words: Words) -> str:
    return f"<p{_lang(words)}>{escape(words.text)}</p>"


def _lang(words: Words) -> str:
    return f' lang="{words.lang}"' if words.lang else ""


def _items(items: Items) -> str:
    rows = "".join(f"<li{_lang(w)}>{escape(w.text)}</li>" for w in items.rows)
    return f'<h3>{escape(items.title)}</h3><ul class="findings">{rows}</ul>'


def _tiles(tiles: Tiles) -> str:
    out = ""
    for tile in tiles.tiles:
        note = f'<dd class="note">{escape(tile.note)}</dd>' if tile.note else ""
        out += (
            f'<div><dt>{escape(tile.name)}</dt><dd class="value">{escape(tile.value)}</dd>{note}'
            "</div>"
        )
    return f'<dl class="tiles">{out}</dl>'


def _drawing(drawing: Drawing, figure: Printed) -> str:
    label = escape(f"{drawing.title}. {drawing.note}", quote=True)
    width = figure.size_in[0]
    size = f"max-width:{REM_PER_IN * width:.1f}rem"
    if width > WIDE_IN:  # on a phone it is moved from side to side rather than made tiny
        size += f";min-width:{LEAST_REM_PER_IN * width:.1f}rem"
    said = f'<svg role="img" aria-label="{label}" style="{size}"'
    svg = figure.svg.replace("<svg", said, 1)
    if width > WIDE_IN:
        title = escape(drawing.title, quote=True)
        svg = f'<div class="wide" role="region" tabindex="0" aria-label="{title}">{svg}</div>'
    return f"<figure>{_caption(drawing)}{svg}</figure>"


def _caption(figure: Drawing | Photo) -> str:
    return (
        f"<figcaption><b>{escape(figure.title)}</b><span>{escape(figure.note)}</span></figcaption>"
    )


def _photo(photo: Photo) -> str:
    data = base64.b64encode(photo.jpeg).decode()
    width, height = photo.size_px
    return (
        f'<figure>{_caption(photo)}<img alt="{escape(photo.title, quote=True)}" width="{width}" '
        f'height="{height}" src="data:image/jpeg;base64,{data}"></figure>'
    )


def _grid(grid: Grid) -> str:
    head = "".join(
        f'<th scope="col"{_side(i, grid)}>{escape(name)}'
        f"{f'<small>{escape(unit)}</small>' if unit else ''}</th>"
        for i, (name, unit) in enumerate(zip(grid.heads, grid.units, strict=True))
    )
    body = "".join(
        f'<tr><th scope="row">{escape(row[0])}</th>'
        + "".join(_cell(i, cell, grid) for i, cell in enumerate(row[1:], start=1)) + "</tr>"
        for row in grid.rows
    )  # fmt: skip
    tall = " tall" if len(grid.rows) > TALL else ""
    note = f'<p class="note">{escape(grid.note)}</p>' if grid.note else ""
    return (
        f'<div class="scroll{tall}" role="region" tabindex="0" '
        f'aria-label="{escape(grid.title, quote=True)}"><table><caption>{escape(grid.title)}'
        f"</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>{note}"
    )


def _cell(i: int, text: str, grid: Grid) -> str:
    if i in grid.words and len(text) > 40:
        return f'<td class="words wide">{escape(text)}</td>'
    return f"<td{_side(i, grid)}>{escape(text)}</td>"


def _side(i: int, grid: Grid) -> str:
    return ' class="words"' if i in grid.words else ""


def _link(link: Link) -> str:
    return f'<p><a href="{escape(link.target, quote=True)}">{escape(link.text)}</a></p>'


def _beside(beside: Beside, figures: Mapping[str, Printed]) -> str:
    columns = "".join(
        "<div>" + "\n".join(_block(b, figures) for b in column) + "</div>"
        for column in beside.columns
    )
    widths = " ".join(f"minmax(0,{100 * w:.0f}fr)" for w in beside.widths)
    return f'<div class="beside" style="--columns:{widths}">{columns}</div>'


_WRITE: dict[type, Callable[[Any], str]] = {
    Words: _words, Items: _items, Tiles: _tiles, Photo: _photo, Grid: _grid, Link: _link,
}  # fmt: skip
