"""The table from above with every bounce and its 95 % ellipse."""

import io
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
    house_style,
)
from halfvolley.session.read import ClipSummary, ContactRow

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

K95 = 2.4477  # sqrt of the 95 % quantile of chi-square with two degrees of freedom
NUMBERED_UP_TO = 40  # more numbers than this only cover each other
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


def draw_map(clip: ClipSummary) -> "Figure":
    """The table from above with every bounce of a clip.

    Parameters
    ----------
    clip : ClipSummary
        The clip's newest result.

    Returns
    -------
    matplotlib.figure.Figure
        To scale: ellipses hold the true place with 95 % probability.
    """
    from matplotlib.figure import Figure

    with house_style():
        figure = Figure(figsize=(9.0, 5.8), dpi=160)
        axes = figure.add_axes((0.02, 0.07, 0.96, 0.79))
        draw_table(axes)
        _draw_ends(axes, clip)
        _draw_camera(axes, clip)
        for number, bounce in enumerate(clip.bounces, start=1):
            draw_bounce(axes, bounce, number if len(clip.bounces) <= NUMBERED_UP_TO else None)
        title = finding(clip)
        size = 15 if len(title) <= 66 else 12
        figure.text(0.03, 0.935, title, fontsize=size, fontweight="bold")
        figure.text(
            0.03, 0.89, f"{clip.clip}: the table from above. A filled ellipse holds the true place "
            "with 95 % probability; the title gives their median half axis.", color=SOFT,
        )  # fmt: skip
        _draw_key(figure, clip)
    return figure


def map_svg(clip: ClipSummary) -> str:
    """`draw_map` as SVG text; the same result gives the same text."""
    figure = draw_map(clip)
    stream = io.StringIO()
    with house_style():
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    return stream.getvalue()


def map_png(clip: ClipSummary) -> bytes:
    """`draw_map` as PNG."""
    figure = draw_map(clip)
    stream = io.BytesIO()
    with house_style():
        figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()


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


def _draw_ends(axes: "Axes", clip: ClipSummary) -> None:
    for x, end, name in ((-1, "A", clip.player_a), (1, "B", clip.player_b)):
        place = (x * (HALF_LENGTH_M + 0.22), 0.0)
        axes.text(*place, end, ha="center", va="bottom", fontsize=20, color=COLOURS[end],
                  fontweight="bold")  # fmt: skip
        axes.text(place[0], -0.03, name, ha="center", va="top", color=SOFT)


def _draw_camera(axes: "Axes", clip: ClipSummary) -> None:
    """A small arrow at the edge, from where the camera looks."""
    x, y, _ = clip.camera.place_m
    reach = min(
        (HALF_LENGTH_M + 0.36) / max(abs(x), 1e-9), (HALF_WIDTH_M + 0.28) / max(abs(y), 1e-9)
    )
    tail, head = (x * reach, y * reach), (0.9 * x * reach, 0.9 * y * reach)
    axes.annotate("", head, tail, arrowprops={"arrowstyle": "-|>", "color": SOFT, "lw": 0.8})
    axes.annotate("camera", tail, (4, 0), textcoords="offset points", color=SOFT, fontsize=7,
                  va="center")  # fmt: skip


def draw_bounce(axes: "Axes", bounce: ContactRow, number: int | None) -> None:
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


def _draw_key(figure: "Figure", clip: ClipSummary) -> None:
    from matplotlib.lines import Line2D

    struck = {b.player for b in clip.bounces}
    words = {
        "A": f"struck by {clip.player_a or 'A'}", "B": f"struck by {clip.player_b or 'B'}",
        None: "between rallies, or striker not known",
    }  # fmt: skip
    marks = [
        Line2D(
            [],
            [],
            ls="",
            marker=MARKERS[who],
            mfc="none",
            mec=COLOURS[who],
            ms=7.5,
            label=words[who],
        )
        for who in ("A", "B", None)
        if who in struck
    ]
    if marks:
        figure.legend(
            handles=marks, loc="lower left", bbox_to_anchor=(0.025, 0.01), ncols=3, frameon=False,
            handletextpad=0.2, columnspacing=1.4, labelcolor=SOFT,
        )  # fmt: skip
    if 0 < len(clip.bounces) <= NUMBERED_UP_TO:
        figure.text(0.97, 0.035, "numbers: order in time", ha="right", color=SOFT)
