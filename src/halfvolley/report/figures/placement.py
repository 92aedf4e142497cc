"""Where a player's strokes bounce, as the striker sees it: density, marks, ellipses, thirds."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from halfvolley.match.density import HALF_LENGTH_M, HALF_WIDTH_M, Density
from halfvolley.match.intervals import Interval
from halfvolley.match.records import Placement
from halfvolley.match.statistics import StrokeSummary
from halfvolley.match.zones import Shares
from halfvolley.report.court import K95
from halfvolley.report.figures.paper import SMALL, axes_in, half_table, new_figure, quiet
from halfvolley.report.figures.shares import draw_interval
from halfvolley.report.language import Language
from halfvolley.report.look import END_A, HAIR, INK, PAPER, SOFT, house_style
from halfvolley.report.vocabulary import DEPTHS, WIDTHS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ELLIPSES_UP_TO = 120  # more of them only cover each other
ACROSS_M, ALONG_M = (-0.86, 0.86), (-0.04, 1.41)  # what is shown of the half
MARGINS_IN = (0.46, 0.40, 1.33, 0.93)  # left, bottom, right, top
IN_PER_M = 1.6  # the table is drawn so large
SIZE_IN = (
    MARGINS_IN[0] + MARGINS_IN[2] + IN_PER_M * (ACROSS_M[1] - ACROSS_M[0]),
    MARGINS_IN[1] + MARGINS_IN[3] + IN_PER_M * (ALONG_M[1] - ALONG_M[0]),
)
_BORDER: dict[str, Any] = {"color": SOFT, "lw": 0.5, "ls": (0, (4, 3)), "zorder": 2.6}
SHADES = ("#ffffff", "#dbe7f0", "#b3cde0", "#86b0cd", "#5b93b8")
Outline = Sequence[tuple[float, float]]


def placement_figure(
    places: Sequence[Placement],
    summary: StrokeSummary,
    say: Language,
    targets: Sequence[Outline] = (),
) -> "Figure":
    """The opponent's half with all bounces of a group of strokes, shares of its thirds beside it.

    Parameters
    ----------
    places : sequence of Placement
        As the striker sees them.
    summary : StrokeSummary
        Of the same strokes: density and thirds.
    say : Language
        For the words.
    targets : sequence of outlines
        (depth, right) of corners [m]; numbered from 1.
    """
    with house_style():
        figure = new_figure(*SIZE_IN)
        axes = axes_in(figure, *MARGINS_IN)
        if isinstance(summary.density, Density):
            _shade(axes, summary.density)
        half_table(axes)
        marks(axes, places, ellipses=len(places) <= ELLIPSES_UP_TO)
        for number, outline in enumerate(targets, start=1):
            _target(axes, outline, number)
        axes.set_xlim(*ACROSS_M)
        axes.set_ylim(*ALONG_M)
        axes.set_xticks([-0.5, 0.0, 0.5], [say.number(v, 1) for v in (-0.5, 0.0, 0.5)])
        axes.set_yticks([0.0, 0.5, 1.0], [say.number(v, 1) for v in (0.0, 0.5, 1.0)])
        axes.set_xlabel(
            say("to the striker's right of the centre line in m"), fontsize=SMALL, color=SOFT
        )
        axes.set_ylabel(say("from the net in m"), fontsize=SMALL, color=SOFT)
        _depths(figure, axes, summary.depth, say)
        _widths(figure, axes, summary.width, say)
    return figure


def _depths(figure: "Figure", table: "Axes", shares: Shares, say: Language) -> None:
    """Shares of the thirds of depth, each beside its third."""
    _, bottom, right, top = MARGINS_IN
    axes = axes_in(figure, SIZE_IN[0] - right + 0.05, bottom, 0.40, top)
    axes.set_ylim(*ALONG_M)
    axes.set_xlim(-4, 104)
    quiet(axes)
    axes.set_yticks([])
    axes.set_xticks([0, 50, 100])
    axes.set_xlabel(say("share in %"), fontsize=SMALL, color=SOFT)
    axes.plot([100 / 3] * 2, [0, HALF_LENGTH_M], color=SOFT, lw=0.8, ls=(0, (2, 2)))
    for k, share in enumerate(shares.shares):
        y = (k + 0.5) * HALF_LENGTH_M / 3
        axes.text(0, y + 0.08, say(DEPTHS[share.label]), fontsize=SMALL, color=INK, va="bottom",
                  bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8})  # fmt: skip
        axes.text(106, y, f"{share.count}", fontsize=SMALL, color=SOFT, va="center")
        if isinstance(share.interval, Interval):
            draw_interval(axes, share.interval, y)
    for k in (1, 2):
        edge = k * HALF_LENGTH_M / 3
        table.plot([-HALF_WIDTH_M, HALF_WIDTH_M], [edge] * 2, **_BORDER)
        axes.plot([-4, 104], [edge] * 2, color=HAIR, lw=0.6)


def _widths(figure: "Figure", table: "Axes", shares: Shares, say: Language) -> None:
    """Shares of the thirds of width, each above its third."""
    left, _, right, top = MARGINS_IN
    axes = axes_in(figure, left, SIZE_IN[1] - top + 0.05, right, 0.22)
    axes.set_xlim(*ACROSS_M)
    axes.set_ylim(-4, 104)
    quiet(axes)
    axes.grid(visible=False)
    axes.grid(axis="y", color=HAIR, lw=0.5)
    axes.spines["bottom"].set_visible(False)
    axes.set_xticks([])
    axes.set_yticks([0, 50, 100])
    axes.set_ylabel("%", fontsize=SMALL, color=SOFT, rotation=0, labelpad=2, va="center")
    axes.plot([-HALF_WIDTH_M, HALF_WIDTH_M], [100 / 3] * 2, color=SOFT, lw=0.8, ls=(0, (2, 2)))
    for k, share in enumerate(shares.shares):
        x = (k - 1) * 2 * HALF_WIDTH_M / 3
        words = f"{say(WIDTHS[share.label])}  {share.count}"
        axes.text(x, 110, words, fontsize=SMALL, color=INK, ha="center", va="bottom")
        if isinstance(share.interval, Interval):
            draw_interval(axes, share.interval, x, upright=True)
    for side in (-1, 1):
        table.plot([side * HALF_WIDTH_M / 3] * 2, [0, HALF_LENGTH_M], **_BORDER)
        axes.plot([side * HALF_WIDTH_M / 3] * 2, [-4, 104], color=HAIR, lw=0.6)


def marks(axes: "Axes", places: Sequence[Placement], *, ellipses: bool) -> None:
    """A dot for each bounce, and the ellipse that holds its true place with 95 %."""
    from matplotlib.collections import EllipseCollection

    if not places:
        return
    xy = np.array([[p.right_m, p.depth_m] for p in places])
    if ellipses:
        cov = np.array([[[p.cov_rr_m2, p.cov_dr_m2], [p.cov_dr_m2, p.cov_dd_m2]] for p in places])
        values, vectors = np.linalg.eigh(cov)
        half = K95 * np.sqrt(np.maximum(values, 0.0))
        angle = np.degrees(np.arctan2(vectors[:, 1, 1], vectors[:, 0, 1]))
        axes.add_collection(
            EllipseCollection(
                2 * half[:, 1], 2 * half[:, 0], angle, units="xy", offsets=xy,
                transOffset=axes.transData, facecolors="none", edgecolors=INK, linewidths=0.45,
                zorder=4,
            )
        )  # fmt: skip
    size = 9.0 if len(places) <= 40 else 5.0 if len(places) <= 200 else 2.0
    axes.scatter(xy[:, 0], xy[:, 1], s=size, c=INK, linewidths=0.3, edgecolors=PAPER, zorder=5)


def _shade(axes: "Axes", density: Density) -> None:
    top = float(density.per_m2.max())
    axes.contourf(
        density.right_m, density.depth_m, density.per_m2,
        levels=np.linspace(0.0, top, len(SHADES) + 1), colors=SHADES, zorder=1,
    )  # fmt: skip
    for level, style in ((density.level_50_per_m2, "solid"), (density.level_90_per_m2, "dashed")):
        if 0.0 < level < top:
            axes.contour(
                density.right_m, density.depth_m, density.per_m2, levels=[level], colors=END_A,
                linewidths=1.3, linestyles=style, zorder=3.5,
            )  # fmt: skip


def _target(axes: "Axes", outline: Outline, number: int) -> None:
    from matplotlib.patches import Polygon

    points = np.array([(right, depth) for depth, right in outline])
    axes.add_patch(
        Polygon(points, closed=True, facecolor="none", edgecolor=INK, lw=1.4, hatch="....",
                alpha=0.8, zorder=3.2)
    )  # fmt: skip
    x, y = points[:, 0].min() + 0.02, points[:, 1].max() - 0.02
    if math.isfinite(x) and math.isfinite(y):
        axes.text(x, y, str(number), fontsize=9, fontweight="bold", color=INK, ha="left", va="top",
                  zorder=6)  # fmt: skip
