"""Shares as dots with their intervals: one look for thirds, kinds, errors and points."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from halfvolley.errors import Unknown
from halfvolley.match.intervals import Interval
from halfvolley.report.figures.paper import BIG, SMALL, axes_in, new_figure, quiet, room_in
from halfvolley.report.look import END_A, HAIR, INK, SOFT, house_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ROW_IN = 0.215


@dataclass(frozen=True, slots=True)
class Dot:
    """One share."""

    share: Interval | Unknown
    note: str  # how many of how many


@dataclass(frozen=True, slots=True)
class SharePanel:
    """Shares of one kind, one a row."""

    axis: str
    dots: tuple[Dot | None, ...]  # None leaves the row empty

    @property
    def note_in(self) -> float:
        """Width of the column of notes."""
        return room_in((dot.note for dot in self.dots if dot is not None), SMALL)


def shares_figure(labels: Sequence[str], panels: Sequence[SharePanel], width_in: float) -> "Figure":
    """Dots with 95 % intervals, one row each; panels side by side share the rows.

    Parameters
    ----------
    labels : sequence of str
        Of the rows, from top to bottom.
    panels : sequence of SharePanel
        From left to right.
    width_in : float
        Width of the figure [in].
    """
    rows = max(len(labels), 1)
    gap, label_in = 0.12, room_in(labels, BIG)
    notes = sum(panel.note_in for panel in panels) + gap * (len(panels) - 1)
    each = (width_in - label_in - notes - 0.02) / len(panels)
    with house_style():
        figure = new_figure(width_in, ROW_IN * rows + 0.40)
        left = label_in
        for k, panel in enumerate(panels):
            axes = axes_in(figure, left, 0.38, width_in - left - each, 0.02)
            axes.set_ylim(rows - 0.5, -0.5)
            axes.set_xlim(-3, 103)
            quiet(axes)
            for y, dot in enumerate(panel.dots):
                if dot is not None:
                    _draw_dot(axes, y, dot)
            axes.set_yticks([])
            axes.set_xticks([0, 50, 100] if each < 1.6 else [0, 25, 50, 75, 100])
            axes.set_xlabel(panel.axis, fontsize=SMALL, color=SOFT)
            if k == 0:
                for y, label in enumerate(labels):
                    axes.annotate(label, (0, y), (-6, 0), xycoords=axes.get_yaxis_transform(),
                                  textcoords="offset points", ha="right", va="center",
                                  fontsize=BIG, color=INK)  # fmt: skip
            left += each + panel.note_in + gap
    return figure


def draw_interval(axes: "Axes", share: Interval, at: float, *, upright: bool = False) -> None:
    """A share in % with its interval, along x or upright along y."""
    ends, dot = [100 * share.low, 100 * share.high], [100 * share.value]
    line = ([at, at], ends) if upright else (ends, [at, at])
    place = ([at], dot) if upright else (dot, [at])
    axes.plot(*line, color=END_A, lw=2.2, solid_capstyle="butt", alpha=0.55)
    axes.plot(*place, "o", color=END_A, ms=5, mec="white", mew=0.6, zorder=4)


def _draw_dot(axes: "Axes", y: int, dot: Dot) -> None:
    axes.axhline(y, color=HAIR, lw=0.4, zorder=0)
    axes.annotate(dot.note, (1, y), (4, 0), xycoords=axes.get_yaxis_transform(),
                  textcoords="offset points", ha="left", va="center", fontsize=SMALL,
                  color=SOFT)  # fmt: skip
    if isinstance(dot.share, Unknown):
        axes.text(50, y, "–", ha="center", va="center", fontsize=BIG, color=SOFT)
    else:
        draw_interval(axes, dot.share, y)
