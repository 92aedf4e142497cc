"""The table from above, bounces with their 95 % ellipses, and what they say in one line."""

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from halfvolley.constants import (
    CENTRE_LINE_WIDTH_M,
    EDGE_LINE_WIDTH_M,
    NET_OVERHANG_M,
    TABLE_LENGTH_M,
    TABLE_WIDTH_M,
)
from halfvolley.report.look import (
    COLOURS,
    INK,
    MARKERS,
    PAPER,
    SOFT,
    SURFACE,
)
from halfvolley.session.read import ClipSummary, ContactRow

if TYPE_CHECKING:
    from matplotlib.axes import Axes

K95 = 2.4477  # sqrt of the 95 % quantile of chi-square with two degrees of freedom
HALF_LENGTH_M, HALF_WIDTH_M = TABLE_LENGTH_M.value / 2, TABLE_WIDTH_M.value / 2
NET_END_M = HALF_WIDTH_M + NET_OVERHANG_M.value


def ellipse_95(row: ContactRow) -> tuple[float, float, float]:
    """The 95 % ellipse of a bounce.

    Parameters
    ----------
    row : ContactRow
        With its covariance.

    Returns
    -------
    tuple of float
        Long and short half axis [m], and the angle of the long one from +x [rad].
    """
    cov = np.array([[row.cov_xx_m2, row.cov_xy_m2], [row.cov_xy_m2, row.cov_yy_m2]])
    values, vectors = np.linalg.eigh(cov)
    short, long = np.sqrt(np.maximum(values, 0.0)) * K95
    return float(long), float(short), math.atan2(vectors[1, 1], vectors[0, 1])


def error_95_mm(bounces: tuple[ContactRow, ...]) -> float | None:
    """Median long half axis of the bounces' 95 % ellipses [mm]; None without bounces."""
    if not bounces:
        return None
    return 1e3 * float(np.median([ellipse_95(b)[0] for b in bounces]))


def finding(clip: ClipSummary) -> str:
    """The map's message in one line: bounces of rallies, then what else the ball did."""
    if not clip.bounces:
        return "No bounce was measured"
    played = tuple(b for b in clip.bounces if b.rally_id is not None)
    n, idle = len(played), len(clip.bounces) - len(played)
    error = error_95_mm(played or clip.bounces)
    known = f"known to {error:.0f} mm (95 %)"
    if n == 0:
        return f"{idle} {'bounce' if idle == 1 else 'bounces'} outside any rally; {known}"
    on_a = sum(b.side == "A" for b in played)
    where = f"{on_a} on side A, {n - on_a} on side B" if n > 1 else f"on side {played[0].side}"
    rest = f"; {idle} more between rallies" if idle else ""
    return f"{n} {'bounce' if n == 1 else 'bounces'}: {where}; {known}{rest}"


def draw_table(axes: "Axes", figures: Callable[[str], str] = str) -> None:
    """Surface, lines, net and scales; `figures` writes numbers as a language does."""
    from matplotlib.patches import Rectangle

    a, b, line = HALF_LENGTH_M, HALF_WIDTH_M, EDGE_LINE_WIDTH_M.value
    axes.set_xlim(-a - 0.40, a + 0.40)
    axes.set_ylim(-b - 0.33, b + 0.20)
    axes.set_aspect("equal")
    axes.set_axis_off()
    axes.add_patch(Rectangle((-a, -b), 2 * a, 2 * b, facecolor=PAPER, edgecolor=SOFT, lw=0.8))
    for side in (-1, 1):  # the surface within the white lines, in four quarters
        for half in (-1, 1):
            x0, x1 = sorted((half * 0.004, half * (a - line)))
            y0, y1 = sorted((side * CENTRE_LINE_WIDTH_M.value / 2, side * (b - line)))
            axes.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, facecolor=SURFACE, lw=0))
    axes.plot([0, 0], [-NET_END_M, NET_END_M], color=INK, lw=1.6, solid_capstyle="butt")
    for x in (-1.0, -0.5, 0.5, 1.0):  # the net stands at 0
        axes.plot([x, x], [-b - 0.03, -b - 0.055], color=SOFT, lw=0.6)
        axes.text(x, -b - 0.07, figures(f"{x:+.1f}"), ha="center", va="top", color=SOFT, fontsize=7)
    axes.text(a, -b - 0.07, "x in m", ha="right", va="top", color=SOFT, fontsize=7)
    for y in (-0.5, 0.0, 0.5):
        axes.plot([-a - 0.03, -a - 0.055], [y, y], color=SOFT, lw=0.6)
        label = "0" if y == 0 else figures(f"{y:+.1f}")
        axes.text(-a - 0.07, y, label, ha="right", va="center", color=SOFT, fontsize=7)
    axes.text(-a - 0.07, b, "y in m", ha="right", va="top", color=SOFT, fontsize=7)


def draw_bounce(axes: "Axes", bounce: ContactRow, number: int | None) -> None:
    """A bounce with the ellipse that holds its true place, and its number where it has one."""
    from matplotlib.patches import Ellipse

    long, short, angle = ellipse_95(bounce)
    colour = COLOURS[bounce.player]
    place = (bounce.x_m, bounce.y_m)
    axes.add_patch(
        Ellipse(
            place, 2 * long, 2 * short, angle=math.degrees(angle), facecolor=colour,
            edgecolor=colour, lw=0.7, alpha=0.75, zorder=3,
        )
    )  # fmt: skip
    # hollow, so that an ellipse smaller than the mark is still seen in it
    axes.plot(*place, MARKERS[bounce.player], mfc="none", mec=colour, mew=1.0, ms=7.5, zorder=4)
    if number is not None:
        axes.annotate(str(number), place, (6, 4), textcoords="offset points", fontsize=7,
                      color=INK, zorder=5)  # fmt: skip
