"""The whole table with every bounce of all rallies."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from halfvolley.report.court import (
    HALF_LENGTH_M,
    HALF_WIDTH_M,
    draw_bounce,
    draw_table,
)
from halfvolley.report.figures.paper import FULL_IN, new_figure
from halfvolley.report.language import Language
from halfvolley.report.look import COLOURS, MARKERS, PAPER, house_style
from halfvolley.session.read import ContactRow

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ELLIPSES_UP_TO = 80  # more of them only cover each other


def overview_figure(
    bounces: Sequence[ContactRow], numbers: Sequence[int | None], say: Language
) -> "Figure":
    """The table from above, end A on the left; a mark for each bounce by who struck it.

    Parameters
    ----------
    bounces : sequence of ContactRow
        In time order.
    numbers : sequence of int or None
        What each is called in the list of bounces.
    say : Language
        For the numbers.
    """
    with house_style():
        figure = new_figure(FULL_IN, 3.95)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        draw_table(axes, say.figures)
        axes.set_xlim(-HALF_LENGTH_M - 0.36, HALF_LENGTH_M + 0.30)
        axes.set_ylim(-HALF_WIDTH_M - 0.18, HALF_WIDTH_M + 0.17)
        for x, end in ((-1, "A"), (1, "B")):
            axes.text(x * (HALF_LENGTH_M + 0.21), 0.12, end, ha="center", va="center", fontsize=20,
                      color=COLOURS[end], fontweight="bold")  # fmt: skip
        if len(bounces) <= ELLIPSES_UP_TO:
            for bounce, number in zip(bounces, numbers, strict=True):
                draw_bounce(axes, bounce, number)
            return figure
        for who, colour in COLOURS.items():
            own = [b for b in bounces if b.player == who]
            axes.plot([b.x_m for b in own], [b.y_m for b in own], MARKERS[who], ms=3.0, ls="",
                      mfc=colour, mec=PAPER, mew=0.25, zorder=4)  # fmt: skip
    return figure
