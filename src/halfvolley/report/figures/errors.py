"""How well each quantity is known: the spread of the claimed errors themselves."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from halfvolley.report.figures.paper import (
    BIG,
    FULL_IN,
    SMALL,
    axes_in,
    new_figure,
    quiet,
    tell_numbers,
)
from halfvolley.report.language import Language
from halfvolley.report.look import END_A, END_B, INK, SOFT, house_style

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class ErrorRow:
    """Half widths of the 95 % intervals of one quantity."""

    name: str
    unit: str
    values: tuple[float, ...]
    digits: int


def errors_figure(rows: Sequence[ErrorRow], say: Language) -> "Figure":
    """One panel a quantity: middle half and middle nine tenths of its errors, and their median.

    Parameters
    ----------
    rows : sequence of ErrorRow
        Each with values.
    say : Language
        For the words.
    """
    height = 0.52 * len(rows) + 0.1
    with house_style():
        figure = new_figure(FULL_IN, height)
        for i, row in enumerate(rows):
            bottom = height - 0.52 * (i + 1) + 0.24
            axes = axes_in(figure, 2.0, bottom, 1.15, height - bottom - 0.24)
            quiet(axes)
            low, q25, median, q75, high = np.quantile(row.values, (0.05, 0.25, 0.5, 0.75, 0.95))
            axes.plot([low, high], [0, 0], color=END_A, lw=1.4)
            axes.plot([q25, q75], [0, 0], color=END_A, lw=6, solid_capstyle="butt", alpha=0.6)
            axes.plot([median], [0], "D", color=END_B, mec=INK, mew=0.7, ms=5, zorder=4)
            axes.set_xlim(0, max(1.15 * high, 1e-9))
            axes.set_ylim(-1, 1)
            axes.set_yticks([])
            axes.locator_params(axis="x", nbins=6)
            tell_numbers(axes, say)
            axes.tick_params(pad=1.5)
            axes.annotate(row.name, (0, 0), (-8, 0), xycoords=axes.get_yaxis_transform(),
                          textcoords="offset points", ha="right", va="center",
                          fontsize=BIG)  # fmt: skip
            words = say("half of them below ±{value} {unit}",
                        value=say.number(float(median), row.digits), unit=row.unit)  # fmt: skip
            axes.annotate(words.replace(" ±", "\n±"), (1, 0), (6, 0), textcoords="offset points",
                          xycoords=axes.get_yaxis_transform(), ha="left", va="center",
                          fontsize=SMALL, color=SOFT)  # fmt: skip
    return figure
