"""Empty figures and tables to draw on."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from halfvolley.constants import EDGE_LINE_WIDTH_M
from halfvolley.match.density import HALF_LENGTH_M, HALF_WIDTH_M
from halfvolley.report.language import Language
from halfvolley.report.look import HAIR, INK, PAPER, SOFT

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FULL_IN, GAP_IN = 7.1, 0.2  # width on paper, and between columns
BIG, SMALL = 8.0, 7.0  # letters in points


def new_figure(width_in: float, height_in: float) -> "Figure":
    """An empty figure; lengths are those on paper."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_in), dpi=100)


def axes_in(
    figure: "Figure", left: float, bottom: float, right: float = 0.05, top: float = 0.05
) -> "Axes":
    """Axes with margins in inches."""
    width, height = figure.get_size_inches()
    return figure.add_axes((
        left / width, bottom / height, 1 - (left + right) / width, 1 - (bottom + top) / height
    ))  # fmt: skip


def room_in(texts: Iterable[str], size_pt: float) -> float:
    """Width that the longest of some texts takes [in], by the face's mean letter."""
    return 0.0092 * size_pt * max(map(len, texts), default=0) + 0.13


def tell_numbers(axes: "Axes", say: Language) -> None:
    """Numbers of the x axis as a language writes them."""
    axes.xaxis.set_major_formatter(lambda value, _: say.figures(f"{value:g}"))


def quiet(axes: "Axes") -> None:
    """Take away what tells nothing."""
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.tick_params(length=2.5, width=0.6, labelsize=SMALL, colors=SOFT, labelcolor=SOFT)
    axes.grid(axis="x", color=HAIR, lw=0.5)
    axes.set_axisbelow(True)


def half_table(axes: "Axes", *, own: bool = False) -> None:
    """The opponent's half as the striker sees it, net below; `own` adds the own half."""
    from matplotlib.patches import Rectangle

    line, a, b = EDGE_LINE_WIDTH_M.value, HALF_LENGTH_M, HALF_WIDTH_M
    bottom = -a if own else 0.0
    axes.add_patch(
        Rectangle((-b, bottom), 2 * b, a - bottom, facecolor="none", edgecolor=INK, lw=0.9,
                  zorder=2.5)
    )  # fmt: skip
    axes.add_patch(
        Rectangle((-b + line, bottom), 2 * (b - line), a - bottom - line, facecolor="none",
                  edgecolor=HAIR, lw=0.5, zorder=2.4)
    )  # fmt: skip
    axes.plot([0, 0], [bottom, a], color=HAIR, lw=0.6, zorder=2.4)
    axes.plot([-b - 0.1525, b + 0.1525], [0, 0], color=INK, lw=2.2, solid_capstyle="butt", zorder=3)
    axes.set_aspect("equal")
    axes.set_facecolor(PAPER)
    for side in axes.spines.values():
        side.set_visible(False)
    axes.tick_params(length=2, width=0.5, labelsize=SMALL, colors=SOFT, labelcolor=SOFT)
