"""Many rallies small, each from above and from the side, to scale."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from halfvolley.constants import NET_HEIGHT_M
from halfvolley.match.density import HALF_LENGTH_M, HALF_WIDTH_M
from halfvolley.report.court import NET_END_M
from halfvolley.report.figures.paper import FULL_IN, SMALL, new_figure
from halfvolley.report.look import COLOURS, HAIR, INK, MARKERS, PAPER, SURFACE, house_style
from halfvolley.types import FloatArray, Side

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ENDS: tuple[Side | None, ...] = ("A", "B", None)
COLUMNS, ROWS = 4, 6  # of a page
PER_PAGE = COLUMNS * ROWS
# a cell in metres of the hall: the words, then the view from above, then that from the side
WIDTH_M, HEIGHT_M = 5.3, 4.0
ABOVE_M, SIDE_M = -1.35, -3.50  # where y = 0 and z = 0 lie below the cell's top
REACH_M, ACROSS_M, LOW_M, TOP_M = 2.45, 0.95, -0.35, 1.10  # what is drawn of the hall


@dataclass(frozen=True, slots=True, eq=False)
class RallyView:
    """One rally as it is drawn."""

    words: str
    flights: tuple[tuple[Side | None, FloatArray], ...]  # who struck last, (n, 3) [m]
    bounces: tuple[tuple[Side | None, float, float], ...]  # who struck last, x, y [m]
    serve_m: tuple[float, float, float] | None  # where it was served


def rallies_figure(views: Sequence[RallyView]) -> "Figure":
    """Up to `PER_PAGE` rallies in reading order; all in one pair of axes, which is quick."""
    columns = min(COLUMNS, max(1, len(views)))
    rows = max(1, -(-len(views) // COLUMNS))
    scale = FULL_IN / (COLUMNS * WIDTH_M)
    with house_style():
        figure = new_figure(columns * WIDTH_M * scale, rows * HEIGHT_M * scale)
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set_xlim(0, columns * WIDTH_M)
        axes.set_ylim(-rows * HEIGHT_M, 0)
        axes.set_axis_off()
        _tables(axes, len(views))
        for i, view in enumerate(views):
            x, y = _origin(i)
            axes.text(x - 0.47 * WIDTH_M, y - 0.10, view.words, fontsize=SMALL, color=INK, va="top")
        for end in ENDS:
            _flights(axes, views, end)
            _bounces(axes, views, end)
        _serves(axes, views)
    return figure


def _origin(i: int) -> tuple[float, float]:
    return (i % COLUMNS + 0.5) * WIDTH_M, -(i // COLUMNS) * HEIGHT_M


def _tables(axes: "Axes", n: int) -> None:
    from matplotlib.collections import LineCollection, PolyCollection

    a, b = HALF_LENGTH_M, HALF_WIDTH_M
    surfaces, lines, nets = [], [], []
    for x, top in map(_origin, range(n)):
        y, z = top + ABOVE_M, top + SIDE_M
        surfaces.append([(x - a, y - b), (x + a, y - b), (x + a, y + b), (x - a, y + b)])
        lines += [[(x - a, y), (x + a, y)]]
        nets += [
            [(x, y - NET_END_M), (x, y + NET_END_M)], [(x, z), (x, z + NET_HEIGHT_M.value)],
            [(x - a, z), (x + a, z)],
        ]  # fmt: skip
    axes.add_collection(PolyCollection(surfaces, facecolors=SURFACE, edgecolors=HAIR, lw=0.5))
    axes.add_collection(LineCollection(lines, colors=HAIR, linewidths=0.5))
    axes.add_collection(LineCollection(nets, colors=INK, linewidths=1.0, capstyle="butt"))


def _flights(axes: "Axes", views: Sequence[RallyView], end: Side | None) -> None:
    """All flights that one end struck as one line with gaps: a thousand artists would be slow."""
    gap = np.full((1, 2), np.nan)
    parts = [gap]
    for i, view in enumerate(views):
        x, top = _origin(i)
        for xyz in (xyz for who, xyz in view.flights if who == end):
            parts += [_part(xyz, 1, ACROSS_M) + np.array([x, top + ABOVE_M]), gap]
            parts += [_part(xyz, 2, TOP_M) + np.array([x, top + SIDE_M]), gap]
    axes.plot(*np.concatenate(parts).T, color=COLOURS[end], lw=0.9, zorder=3,
              ls="solid" if end else "dotted")  # fmt: skip


def _bounces(axes: "Axes", views: Sequence[RallyView], end: Side | None) -> None:
    places = []
    for i, view in enumerate(views):
        x0, top = _origin(i)
        for _, x, y in (b for b in view.bounces if b[0] == end):
            places += [(x0 + x, top + ABOVE_M + y), (x0 + x, top + SIDE_M)]
    axes.plot(*_columns(places), MARKERS[end], ms=2.6, mfc=COLOURS[end], mec=PAPER, mew=0.3,
              ls="", zorder=4)  # fmt: skip


def _serves(axes: "Axes", views: Sequence[RallyView]) -> None:
    places = []
    for i, view in enumerate(views):
        x0, top = _origin(i)
        if view.serve_m is not None and abs(view.serve_m[0]) < REACH_M:
            x, y, z = view.serve_m
            places += [(x0 + x, top + ABOVE_M + y), (x0 + x, top + SIDE_M + z)]
    axes.plot(*_columns(places), "o", ms=3.6, mfc=PAPER, mec=INK, mew=0.8, ls="", zorder=5)


def _columns(places: Sequence[tuple[float, float]]) -> FloatArray:
    return np.array(places, np.float64).reshape(-1, 2).T


def _part(xyz: FloatArray, axis: int, most: float) -> FloatArray:
    """(n, 2) of a flight in one view, without what lies outside of it."""
    low = -most if axis == 1 else LOW_M
    shown = (np.abs(xyz[:, 0]) < REACH_M) & (xyz[:, axis] > low) & (xyz[:, axis] < most)
    return np.where(shown[:, None], xyz[:, [0, axis]], np.nan)
