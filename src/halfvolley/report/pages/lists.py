"""Every stroke and bounce in figures, where they are few enough to be read."""

from collections.abc import Sequence

from halfvolley.report.court import ellipse_95
from halfvolley.report.document import Block, Grid, Section
from halfvolley.report.language import Language
from halfvolley.report.material import Material
from halfvolley.report.words import (
    BOUNCE_HEADS,
    BOUNCE_UNITS,
    STROKE_HEADS,
    STROKE_UNITS,
    bounce_cells,
    stroke_rows,
)

MOST = 80  # bounces; more are in tables/


def lists_section(m: Material) -> Section | None:
    """Tables of all strokes and bounces; None where there are none, or too many to read."""
    clips = [clip for clip in m.records.summary.clips if clip.bounces or clip.strokes]
    if not clips or sum(len(clip.bounces) for clip in clips) > MOST:
        return None
    say = m.say
    blocks: list[Block] = []
    for clip in clips:
        bounces = [
            bounce_cells(clip, i, row, 1e3 * ellipse_95(row)[0])
            for i, row in enumerate(clip.bounces, start=1)
        ]
        if bounces:
            title = say("{clip}: bounces", clip=clip.clip)
            blocks.append(_grid(say, title, BOUNCE_HEADS, BOUNCE_UNITS, bounces, 6))
        if clip.strokes:
            title, rows = say("{clip}: strokes", clip=clip.clip), stroke_rows(clip)
            blocks.append(_grid(say, title, STROKE_HEADS, STROKE_UNITS, rows, 3))
    title = say("Every bounce and stroke; ± is one standard deviation")
    return Section("lists", say("In figures"), title, tuple(blocks))


def _grid(
    say: Language, title: str, heads: Sequence[str], units: Sequence[str],
    rows: Sequence[Sequence[str]], name: int,
) -> Grid:  # fmt: skip
    """A table whose column number `name` is a player's name."""
    cells = tuple(
        tuple(cell if i == name else say.figures(cell) for i, cell in enumerate(row))
        for row in rows
    )
    told = tuple(say(unit) for unit in units)
    return Grid(title, tuple(map(say, heads)), told, cells, words=frozenset({name}))
