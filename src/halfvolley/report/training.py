"""A training for people: its curves, and old against new."""

import io
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.markup import escape

from halfvolley.learn.run import CurvePoint, point_from
from halfvolley.report.look import END_A, END_B, HAIR, SOFT, house_style
from halfvolley.report.score import print_scores
from halfvolley.session.files import write_atomic
from halfvolley.session.train import Trained

COLOURS = {"own": END_B, "made": END_A}
NAMES = {"own": "this footage, held out", "made": "made halls, held out"}


def print_trained(trained: Trained, console: Console) -> None:
    """Print what a training did: old against new, and what is used from now on."""
    print_scores(trained.scores, console)
    if trained.model is None:
        console.print(
            "Nothing that was tried is better on rallies held out than the start; no new detector "
            "was kept.",
            soft_wrap=True,
        )
    else:
        console.print(f"New detector: {escape(str(trained.model))}, card beside it", soft_wrap=True)
    if trained.after == trained.before:
        console.print(f"Used from now on: {escape(trained.after)}, as before", soft_wrap=True)
        return
    folder = escape(str(trained.scores.folder))
    console.print(
        f"[bold]Used from now on: {escape(trained.after)}[/bold]; the old one is kept. Back to it: "
        f"halfvolley train {folder} --use {escape(trained.before)}\n"
        f"Next: halfvolley measure {folder}",
        soft_wrap=True,
    )


def write_curves(trained: Trained) -> tuple[Path, ...]:
    """Write the curves of a training beside its detector, as a table and as one picture.

    Raises
    ------
    StorageError
        If they cannot be written.
    """
    if trained.model is None:
        return ()
    points = [point_from(said) for said in trained.card["curve"]]
    table, picture = (trained.model.with_suffix(end) for end in (".csv", ".png"))
    write_atomic(table, curve_csv(points))
    write_atomic(picture, curve_png(points, int(trained.card["best_step"])))
    return table, picture


def curve_csv(points: list[CurvePoint]) -> str:
    """The curve as a table: losses, and average precision of what is held out (0-1)."""
    sets = sorted({name for p in points for name in p.goodness})
    head = ["step", "took_s", "loss", "loss_heat", "loss_place", "loss_streak", "loss_radius"]
    for name in sets:
        head += [f"average_precision_{name}", f"average_precision_half_{name}"]
    rows = [",".join(head)]
    for p in points:
        row = [str(p.step)]
        row += [f"{x:.6g}" for x in (p.took_s, p.loss, p.heat, p.place, p.streak, p.radius)]
        for name in sets:
            g = p.goodness[name]
            row += [f"{g.average_precision:.6f}", f"{g.average_precision_half:.6f}"]
        rows.append(",".join(row))
    return "\n".join(rows) + "\n"


def curve_png(points: list[CurvePoint], best_step: int) -> bytes:
    """Average precision and loss over the steps."""
    from matplotlib.figure import Figure

    step = np.array([p.step for p in points])
    with house_style():
        figure = Figure(figsize=(10.0, 4.4), dpi=140)
        left = figure.add_axes((0.07, 0.13, 0.40, 0.68))
        right = figure.add_axes((0.57, 0.13, 0.40, 0.68))
        for name in sorted({name for p in points for name in p.goodness}):
            colour = COLOURS.get(name, SOFT)
            whole = [100 * p.goodness[name].average_precision for p in points]
            half = [100 * p.goodness[name].average_precision_half for p in points]
            left.plot(step, whole, "-o", ms=3, color=colour, lw=1.6, label=NAMES.get(name, name))
            left.plot(step, half, ":", color=colour, lw=1.6)
        shown = [p for p in points if p.step > 0]
        right.plot([p.step for p in shown], [p.loss for p in shown], "-o", ms=3, color=END_A)
        for axes, y in ((left, "average precision [%]"), (right, "loss")):
            axes.set_xlabel("step")
            axes.set_ylabel(y)
            axes.spines[["top", "right"]].set_visible(False)
            axes.grid(color=HAIR, lw=0.5)
            axes.axvline(best_step, color=SOFT, lw=0.8, ls="--")
        if left.lines[:-1]:
            left.legend(frameon=False, fontsize=8, loc="best")
        figure.text(0.07, 0.92, f"Best at step {best_step}", fontsize=12, fontweight="bold")
        figure.text(0.07, 0.85, "Within one radius; dotted: within half of it", color=SOFT)
        figure.text(0.57, 0.85, "What is taught, mean since the point before", color=SOFT)
        stream = io.BytesIO()
        figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()
