"""Serves: the first bounce on the own half, the second one beyond the net."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from halfvolley.match.density import HALF_LENGTH_M, HALF_WIDTH_M
from halfvolley.match.records import Placement
from halfvolley.report.figures.paper import SMALL, axes_in, half_table, new_figure
from halfvolley.report.figures.placement import marks
from halfvolley.report.language import Language
from halfvolley.report.look import END_A, INK, PAPER, SOFT, house_style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

LINES_UP_TO = 60
SIZE_IN = (2.35, 3.36)
Serve = tuple[Placement | None, Placement | None]  # first and second bounce, where seen


def serve_figure(serves: Sequence[Serve], say: Language) -> "Figure":
    """The table as the server sees it, with both bounces of each serve.

    Parameters
    ----------
    serves : sequence of pairs of Placement
        As the server sees them; None where a bounce was not seen.
    say : Language
        For the words.
    """
    from matplotlib.collections import LineCollection

    with house_style():
        figure = new_figure(*SIZE_IN)
        axes = axes_in(figure, 0.48, 0.40, 0.02, 0.02)
        half_table(axes, own=True)
        whole = [(a, b) for a, b in serves if a is not None and b is not None]
        if len(whole) <= LINES_UP_TO:
            lines = [[(a.right_m, a.depth_m), (b.right_m, b.depth_m)] for a, b in whole]
            axes.add_collection(LineCollection(lines, colors=END_A, linewidths=0.5, alpha=0.7))
        first = np.array([[a.right_m, a.depth_m] for a, _ in serves if a is not None])
        if len(first):
            axes.scatter(first[:, 0], first[:, 1], s=10 if len(first) <= 60 else 5, c=PAPER,
                         edgecolors=INK, linewidths=0.6, zorder=4)  # fmt: skip
        second = [b for _, b in serves if b is not None]
        marks(axes, second, ellipses=len(second) <= LINES_UP_TO)
        axes.set_xlim(-HALF_WIDTH_M - 0.16, HALF_WIDTH_M + 0.16)
        axes.set_ylim(-HALF_LENGTH_M - 0.04, HALF_LENGTH_M + 0.04)
        axes.set_xticks([-0.5, 0.0, 0.5], [say.number(v, 1) for v in (-0.5, 0.0, 0.5)])
        ticks = (-1.0, -0.5, 0.0, 0.5, 1.0)
        axes.set_yticks(ticks, [say.number(v, 1) for v in ticks])
        axes.set_xlabel(say("to the server's right in m"), fontsize=SMALL, color=SOFT)
        axes.set_ylabel(say("from the net in m"), fontsize=SMALL, color=SOFT)
    return figure
