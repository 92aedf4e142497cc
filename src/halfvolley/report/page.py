"""One HTML page with everything a player or coach looks at; no file beside it is needed."""

import base64
from collections.abc import Mapping
from html import escape
from types import MappingProxyType

from halfvolley.report.checks import Checks
from halfvolley.report.court import ellipse_95, finding
from halfvolley.report.look import END_A, HAIR, INK, PAPER, SOFT, SURFACE
from halfvolley.report.words import (
    BOUNCE_HEADS,
    BOUNCE_UNITS,
    STROKE_HEADS,
    STROKE_UNITS,
    bounce_cells,
    camera_words,
    rally_words,
    stroke_rows,
    unknown_words,
)
from halfvolley.session.read import ClipSummary, Summary

_STYLE = f"""
body {{ font: 15px/1.5 system-ui, "Segoe UI", Helvetica, Arial, sans-serif; color: {INK};
  background: {PAPER}; max-width: 62rem; margin: 0 auto; padding: 1.5rem 1rem 4rem; }}
h1 {{ font-size: 1.4rem; margin: 0; }}
h2 {{ font-size: 1.15rem; margin: 2.5rem 0 .2rem; border-top: 1px solid {HAIR};
  padding-top: 1.2rem; }}
h3 {{ font-size: .95rem; margin: 1.6rem 0 .4rem; color: {SOFT}; }}
p, li {{ max-width: 46rem; }}
.soft {{ color: {SOFT}; }}
.map svg, img {{ width: 100%; height: auto; }}
img {{ border-radius: 4px; }}
.scroll {{ overflow-x: auto; }}
table {{ border-collapse: collapse; font-variant-numeric: tabular-nums; font-size: .86rem; }}
th, td {{ text-align: right; padding: .22rem .65rem; white-space: nowrap; }}
th {{ font-weight: 600; vertical-align: bottom; border-bottom: 1px solid {SOFT}; }}
th small {{ display: block; font-weight: 400; color: {SOFT}; }}
tbody tr:nth-child(even) {{ background: {SURFACE}; }}
a {{ color: {END_A}; }}
@media print {{ h2 {{ break-before: page; }} }}
"""


def page_html(
    summary: Summary,
    maps: dict[str, str],
    pictures: dict[str, bytes],
    videos: dict[str, str],
    venue: str = "",
    checks: Mapping[str, Checks] = MappingProxyType({}),
) -> str:
    """The page of a session.

    Parameters
    ----------
    summary : Summary
        The newest result.
    maps : dict of str to str
        SVG of the map of each clip.
    pictures : dict of str to bytes
        JPEG of the first frame of each clip with the table's model.
    videos : dict of str to str
        File name of the overlay video of a clip, where one was made.
    venue : str
        Where it was filmed.
    checks : mapping of str to Checks
        Of clips that show a ball on marks or a dropped ball.

    Returns
    -------
    str
        HTML.
    """
    title = f"Table tennis, measured: {venue or ', '.join(c.clip for c in summary.clips)}"
    parts = [
        f"<h1>{escape(title)}</h1>",
        "<p class=soft>Places are on the table in metres: x along it from end A (−) to end B (+), "
        "y across. ± after a speed or spin is one standard deviation. Topspin is positive, "
        f"backspin negative. {escape('–')} is what the footage could not tell.</p>",
    ]
    for clip in summary.clips:
        parts += _clip(
            clip, maps[clip.clip], pictures.get(clip.clip), videos.get(clip.clip),
            checks.get(clip.clip),
        )  # fmt: skip
    for name, why in summary.not_measured:
        parts.append(f"<h2>{escape(name)}: not measured</h2><p>{escape(why)}</p>")
    body = "\n".join(parts)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head>\n<body>\n{body}\n"
        "</body></html>\n"
    )


def _clip(
    clip: ClipSummary, svg: str, picture: bytes | None, video: str | None, check: Checks | None
) -> list[str]:
    title = check.title if check is not None else finding(clip)
    parts = [f"<h2>{escape(clip.clip)}: {escape(title)}</h2>"]
    if check is not None:
        parts += _check(check)
    if check is None or clip.bounces:
        parts.append(
            f'<div class=map role=img aria-label="{escape(finding(clip))}">{_inline(svg)}</div>'
        )
    if video is not None:
        parts.append(f'<p><a href="{escape(video)}">The clip with the flight drawn on it</a></p>')
    if clip.rallies:
        items = "".join(f"<li>{escape(rally_words(clip, r))}</li>" for r in clip.rallies)
        parts.append(f"<h3>Rallies</h3><ul>{items}</ul>")
    if clip.bounces:
        rows = [
            bounce_cells(clip, i, row, 1e3 * ellipse_95(row)[0])
            for i, row in enumerate(clip.bounces, start=1)
        ]
        parts.append(_table("Bounces", BOUNCE_HEADS, BOUNCE_UNITS, rows))
    if clip.strokes:
        parts.append(_table("Strokes", STROKE_HEADS, STROKE_UNITS, stroke_rows(clip)))
    unknown = unknown_words(clip)
    if unknown:
        items = "".join(f"<li>{escape(words)}</li>" for words in unknown)
        parts.append(f"<h3>Not known</h3><ul>{items}</ul>")
    parts.append(f"<h3>Camera</h3><p>{escape(camera_words(clip))}</p>")
    if picture is not None:
        data = base64.b64encode(picture).decode()
        parts.append(
            f'<img alt="The first frame with the model of the table drawn over it" '
            f'src="data:image/jpeg;base64,{data}">'
            "<p class=soft>The lines should lie on the table's edges and the net; if they do not, "
            "give the corners by hand: halfvolley calibrate SESSION --corners …</p>"
        )
    if clip.warnings:
        items = "".join(f"<li>{escape(words)}</li>" for words in clip.warnings)
        parts.append(f"<h3>Notes</h3><ul>{items}</ul>")
    return parts


def _check(check: Checks) -> list[str]:
    parts = [f"<p>{escape(words)}</p>" for words in check.words]
    if check.svg is not None:
        parts.append(f'<div class=map role=img aria-label="chart">{_inline(check.svg)}</div>')
    if check.rows:
        parts.append(_table("In figures", check.heads, check.units, list(check.rows)))
    return parts


def _table(
    title: str, heads: tuple[str, ...], units: tuple[str, ...], rows: list[list[str]]
) -> str:
    head = "".join(
        f"<th>{escape(h)}<small>{escape(u)}</small></th>" for h, u in zip(heads, units, strict=True)
    )
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows
    )
    return (
        f"<h3>{escape(title)}</h3><div class=scroll><table><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table></div>"
    )


def _inline(svg: str) -> str:
    """The <svg> element alone, without the XML head."""
    return svg[svg.index("<svg") :]
