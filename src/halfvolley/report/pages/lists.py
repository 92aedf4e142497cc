"""Every stroke and bounce in figures, where they are few enough to be read."""

from halfvolley.report.court import ellipse_95
from halfvolley.report.document import Block, Grid, Section
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
        rows = tuple(
            tuple(bounce_cells(clip, i, row, 1e3 * ellipse_95(row)[0]))
            for i, row in enumerate(clip.bounces, start=1)
        )
        heads = tuple(map(say, BOUNCE_HEADS))
        if rows:
            blocks.append(
                Grid(say("{clip}: bounces", clip=clip.clip), heads, BOUNCE_UNITS, rows,
                     words=frozenset({6}))
            )  # fmt: skip
        if clip.strokes:
            blocks.append(
                Grid(say("{clip}: strokes", clip=clip.clip), tuple(map(say, STROKE_HEADS)),
                     STROKE_UNITS, tuple(map(tuple, stroke_rows(clip))), words=frozenset({3}))
            )  # fmt: skip
    title = say("Every bounce and stroke; ± is one standard deviation")
    return Section("lists", say("In figures"), title, tuple(blocks))
