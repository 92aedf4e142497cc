"""The score of each game, point by point, with what is doubtful."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from halfvolley.match.score import ScoredRally
from halfvolley.report.figures.paper import BIG, FULL_IN, SMALL, axes_in, new_figure, quiet
from halfvolley.report.language import Language
from halfvolley.report.look import COLOURS, HAIR, PAPER, SOFT, house_style

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def score_figure(games: Sequence[Sequence[ScoredRally]], say: Language) -> "Figure":
    """Points of both players before each rally, one panel a game.

    Parameters
    ----------
    games : sequence of sequence of ScoredRally
        Rallies of each game in order.
    say : Language
        For the words.
    """
    with house_style():
        figure = new_figure(FULL_IN, 1.9)
        widths = [max(len(game), 6) for game in games]
        left, gap = 0.42, 0.32
        unit = (FULL_IN - left - 0.05 - gap * (len(games) - 1)) / sum(widths)
        for i, game in enumerate(games):
            start = left + unit * sum(widths[:i]) + gap * i
            axes = axes_in(figure, start, 0.42, FULL_IN - start - unit * widths[i], 0.24)
            quiet(axes)
            axes.grid(axis="y", color=HAIR, lw=0.4)
            for who in ("A", "B"):
                points = [s.before.points_a if who == "A" else s.before.points_b for s in game]
                axes.step(range(1, len(game) + 1), points, color=COLOURS[who], lw=1.4, where="post")
                for x, (s, y) in enumerate(zip(game, points, strict=True), start=1):
                    axes.plot(x, y, "o" if who == "A" else "D", ms=3.4, mec=COLOURS[who], mew=0.9,
                              mfc=COLOURS[who] if s.sure else PAPER, zorder=4)  # fmt: skip
            axes.set_ylim(-0.6, max(11.5, *(max(s.before.points_a, s.before.points_b) + 0.6
                                            for s in game)))  # fmt: skip
            axes.set_xlim(0.3, widths[i] + 0.7)
            axes.set_yticks([0, 5, 11])
            axes.set_title(say("game {n}", n=i + 1), fontsize=BIG, loc="left", pad=4)
            axes.set_xlabel(say("rally of the game"), fontsize=SMALL, color=SOFT)
            if i == 0:
                axes.set_ylabel(say("points before it"), fontsize=SMALL, color=SOFT)
    return figure
