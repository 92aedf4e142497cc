"""Speeds, spins and heights over the net: every value, with median and its interval."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from halfvolley.match.intervals import Interval
from halfvolley.match.records import Estimate
from halfvolley.match.statistics import Spread, summarise_values
from halfvolley.report.figures.paper import (
    BIG,
    FULL_IN,
    SMALL,
    axes_in,
    new_figure,
    quiet,
    room_in,
    tell_numbers,
)
from halfvolley.report.language import Language
from halfvolley.report.look import END_A, END_B, HAIR, INK, SOFT, house_style
from halfvolley.types import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ERRORS_UP_TO = 25  # values of a row whose own error is drawn
ROW_IN = 0.34
NOTE = 6.5  # letters in points


@dataclass(frozen=True, slots=True)
class SpreadPanel:
    """One quantity in all rows."""

    axis: str  # with its unit
    values: tuple[tuple[Estimate | None, ...], ...]  # of each row


def spreads_figure(labels: Sequence[str], panels: Sequence[SpreadPanel], say: Language) -> "Figure":
    """Rows of values side by side for several quantities.

    Parameters
    ----------
    labels : sequence of str
        Of the rows.
    panels : sequence of SpreadPanel
        From left to right.
    say : Language
        For the words.
    """
    height = ROW_IN * len(labels) + 0.46
    notes = [_note(values, say) for panel in panels for values in panel.values]
    left, after = room_in(labels, BIG), room_in(notes, NOTE)
    gap = after + 0.12
    width = (FULL_IN - left - after - gap * (len(panels) - 1) - 0.02) / len(panels)
    with house_style():
        figure = new_figure(FULL_IN, height)
        for k, panel in enumerate(panels):
            start = left + k * (width + gap)
            axes = axes_in(figure, start, 0.40, FULL_IN - start - width, 0.04)
            quiet(axes)
            axes.set_ylim(len(labels) - 0.58, -0.66)
            for i, values in enumerate(panel.values):
                _draw_row(axes, i, values, say)
            axes.set_yticks([])
            axes.set_xlabel(panel.axis, fontsize=SMALL, color=SOFT)
            axes.margins(x=0.06)
            axes.locator_params(axis="x", nbins=5)
            tell_numbers(axes, say)
            if k == 0:
                for i, label in enumerate(labels):
                    axes.annotate(label, (0, i), (-8, 0), xycoords=axes.get_yaxis_transform(),
                                  textcoords="offset points", ha="right", va="center",
                                  fontsize=BIG, color=INK)  # fmt: skip
    return figure


def _draw_row(axes: "Axes", y: int, values: Sequence[Estimate | None], say: Language) -> None:
    known = [v for v in values if v is not None]
    axes.annotate(_note(values, say), (1, y), (4, 0), xycoords=axes.get_yaxis_transform(),
                  textcoords="offset points", ha="left", va="center", fontsize=NOTE,
                  color=SOFT)  # fmt: skip
    axes.axhline(y + 0.34, color=HAIR, lw=0.4, zorder=0)
    if not known:
        return
    x = np.array([v.value for v in known])
    dots = y + 0.30 - _stacked(x)
    if len(known) <= ERRORS_UP_TO:
        sd = np.array([v.sd for v in known])
        axes.errorbar(x, dots, xerr=1.96 * sd, fmt="none", ecolor=END_A, elinewidth=0.5, alpha=0.6)
    axes.scatter(x, dots, s=9 if len(x) < 60 else 4, c=END_A, linewidths=0, alpha=0.75, zorder=3)
    spread = summarise_values(values)
    interval = spread.median_interval if isinstance(spread, Spread) else None
    if isinstance(interval, Interval):
        axes.plot([interval.low, interval.high], [y - 0.44] * 2, color=END_B, lw=3,
                  solid_capstyle="butt", zorder=4)  # fmt: skip
        axes.plot([interval.value] * 2, [y - 0.54, y - 0.34], color=INK, lw=1.6, zorder=5)


def _note(values: Sequence[Estimate | None], say: Language) -> str:
    return say("{n} of {total}", n=sum(v is not None for v in values), total=len(values))


def _stacked(x: FloatArray) -> FloatArray:
    """Heights that lift dots above those they would cover, the tallest stack within the row."""
    span = float(np.ptp(x)) or 1.0
    cell = np.floor((x - x.min()) / span * 42).astype(int)
    level = np.zeros(len(x))
    count: dict[int, int] = {}
    for i in np.argsort(x):
        level[i] = count.get(int(cell[i]), 0)
        count[int(cell[i])] = int(level[i]) + 1
    tallest = max(count.values()) - 1
    return np.asarray(level * min(0.12, 0.52 / max(tallest, 1)))
