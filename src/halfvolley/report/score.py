"""Scores of detectors for people: tables, curves, and pictures of what went wrong."""

import io
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from halfvolley.learn.scoring import (
    SURE,
    Figures,
    Gain,
    Group,
    Held,
    curve,
    figures,
    gain,
    groups,
    reliability,
)
from halfvolley.report.labels import COLUMNS, ROWS, crop_side_px, draw_sheets
from halfvolley.report.look import END_A, END_B, HAIR, INK, NOBODY, SOFT, house_style
from halfvolley.session.files import write_atomic
from halfvolley.session.score import ScoredDetector, Scores
from halfvolley.types import FloatArray, Label

FOLDER = "score"  # within report/
PER_SHEET = COLUMNS * ROWS
LINES = ((END_A, "-"), (END_B, "--"), (INK, ":"), (NOBODY, "-."))
KNOWN_BY = {"labels": "its labels", "truth": "the truth", "no ball": "clips without a ball"}
SEED = 1  # of the interval of a gain


def _share(value: float | None, within: tuple[float, float] | None = None) -> str:
    if value is None:
        return "–"
    words = f"{100 * value:.1f} %"
    return words if within is None else f"{words} ({100 * within[0]:.1f}-{100 * within[1]:.1f})"


def _number(value: float | None, unit: str, digits: int = 2) -> str:
    return "–" if value is None else f"{value:.{digits}f} {unit}".rstrip()


ROWS_OF_FIGURES: tuple[tuple[str, Callable[[Figures], str]], ...] = (
    ("balls found", lambda f: f"{f.found} of {f.balls}"),
    ("found that are no ball", lambda f: str(f.false)),
    ("recall", lambda f: _share(f.recall, f.recall_95)),
    ("precision", lambda f: _share(f.precision, f.precision_95)),
    ("average precision, within a radius", lambda f: _share(f.average_precision)),
    ("average precision, within half a radius", lambda f: _share(f.average_precision_half)),
    ("centre off, median", lambda f: _number(f.off_px, "px")),
    ("centre off, median, in radii", lambda f: _number(f.off_radii, "")),
    ("true centres in claimed 95 % ellipses", lambda f: _share(f.inside_95)),
    ("score off the share of balls, mean", lambda f: _number(f.calibration_error, "", 3)),
    ("false alarms a minute", lambda f: _number(f.false_a_minute, "", 1)),
    ("false alarms a minute without a ball", lambda f: _number(f.false_a_minute_empty, "", 1)),
    ("frames a second here, without decoding", lambda f: _number(f.frames_per_s, "", 0)),
)


def print_scores(scores: Scores, console: Console) -> None:
    """Print figures, groups and what must be said of them.

    Parameters
    ----------
    scores : Scores
        Of some detectors on the same frames.
    console : rich.console.Console
        Where to.
    """
    for who in _known_by(scores):
        there = [d for d in scores.detectors if who in d.held]
        held = there[0].held[who]
        console.print(
            f"\n[bold]Against {KNOWN_BY[who]}[/bold]  {held.n_frames} frames of "
            f"{len(np.unique(held.asked.clip)) or len(scores.clips)} clips",
            soft_wrap=True,
        )
        found = [figures(d.held[who]) for d in there]
        rows = [[name, *(show(f) for f in found)] for name, show in ROWS_OF_FIGURES]
        rows.append(["ran on", *(d.device for d in there)])
        _print_table(("", *(_head(d) for d in there)), rows, console)
        _print_groups({d.name: groups(d.held[who]) for d in there}, console)
        for words in gains(scores, who):
            console.print(escape(words), soft_wrap=True)
    for note in (*scores.notes, *(n for d in scores.detectors for n in d.notes)):
        console.print(f"[yellow]Note:[/yellow] {escape(note)}", soft_wrap=True)


def _known_by(scores: Scores) -> list[str]:
    return [who for who in KNOWN_BY if any(who in d.held for d in scores.detectors)]


def _print_table(heads: Sequence[str], rows: Iterable[Sequence[str]], console: Console) -> None:
    table = Table(box=None, pad_edge=False, header_style="dim")
    for i, head in enumerate(heads):
        table.add_column(escape(head), justify="right" if i else "left", no_wrap=True)
    for row in rows:
        table.add_row(*(escape(cell) for cell in row))
    console.print(table)


def _print_groups(found: Mapping[str, tuple[Group, ...]], console: Console) -> None:
    first = next(iter(found.values()))
    if not first:
        return
    heads = ["balls by", "", "balls"]
    for name in found:
        heads += [Path(name).stem, "centre", "false"]
    rows, before = [], ""
    for lines in zip(*found.values(), strict=True):
        one = lines[0]
        row = [one.by if one.by != before else "", one.name, str(one.balls)]
        before = one.by
        for g in lines:
            recall = g.found / g.balls if g.balls else None
            row += [_share(recall), _number(g.off_px, "px"),
                    "" if g.false is None else str(g.false)]  # fmt: skip
        rows.append(row)
    _print_table(heads, rows, console)


def gains(scores: Scores, who: str) -> list[str]:
    """What each detector gains on the first one, in words."""
    there = [d for d in scores.detectors if who in d.held and len(d.held[who].asked.score)]
    return [
        gain_words(d.name, there[0].name, gain(there[0].held[who], d.held[who], _chance()))
        for d in there[1:]
    ]


def _chance() -> np.random.Generator:
    return np.random.default_rng(SEED)


def gain_words(new: str, old: str, found: Gain) -> str:
    """A gain as a sentence."""
    words = (
        f"{new} against {old}: {100 * found.gain:+.2f} points of average precision, mean of both "
        "tolerances"
    )
    if found.blocks < 2:
        return words + "; one second of film has no interval."
    return words + (
        f" (95 % interval {100 * found.low:+.2f} to {100 * found.high:+.2f}, {found.blocks} "
        "seconds of film drawn again)."
    )


# --- files ---------------------------------------------------------------------------------------
def write_scores(scores: Scores, folder: Path | str) -> tuple[Path, ...]:
    """Write score.json, the curves and the contact sheets of the worst misses and false alarms.

    Parameters
    ----------
    scores : Scores
        Of some detectors on the same frames.
    folder : Path or str
        The session folder; they go to report/score/.

    Returns
    -------
    tuple of Path
        The files.

    Raises
    ------
    FootageError
        If a clip cannot be read.
    StorageError
        If a file cannot be written.
    """
    place = Path(folder) / "report" / FOLDER
    write_atomic(place / "score.json", json.dumps(scores_json(scores), indent=1))
    out = [place / "score.json"]
    who = _judge(scores)
    if who is None:
        return tuple(out)
    write_atomic(place / "curves.png", curves_png(scores, who))
    out.append(place / "curves.png")
    for d in scores.detectors:
        stem = Path(d.name).stem
        held = d.held[who]
        out += draw_sheets(folder, worst_misses(held, scores.clips), place, f"missed_{stem}")
        out += draw_sheets(folder, worst_false(held, scores.clips), place, f"false_{stem}")
    return tuple(out)


def scores_json(scores: Scores) -> dict[str, Any]:
    """All figures for machines."""
    return {
        "notes": list(scores.notes),
        "known_by": _judge(scores),
        "detectors": [
            {
                "detector": d.name, "device": d.device, "notes": list(d.notes),
                "against": {
                    who: {
                        "figures": asdict(figures(held)),
                        "groups": [asdict(g) for g in groups(held)],
                    }
                    for who, held in d.held.items()
                },
                "worst": _worst(d, scores),
            }
            for d in scores.detectors
        ],
    }  # fmt: skip


def _worst(d: ScoredDetector, scores: Scores) -> dict[str, list[dict[str, Any]]]:
    """Where the worst misses and false alarms are, for whoever shows them."""
    held = d.held.get(_judge(scores) or "")
    if held is None:
        return {"missed": [], "false": []}
    shown = {
        "missed": worst_misses(held, scores.clips), "false": worst_false(held, scores.clips)
    }  # fmt: skip
    return {
        how: [
            {
                "clip": x.clip, "frame": x.frame, "uv_px": x.uv_px, "radius_px": x.radius_px,
                "side_px": round(crop_side_px(x), 2), "score": x.confidence,
            }
            for x in places
        ]
        for how, places in shown.items()
    }  # fmt: skip


def _judge(scores: Scores) -> str | None:
    """Who knows best what is a ball here."""
    return next((w for w in ("truth", "labels", "no ball") if w in _known_by(scores)), None)


def worst_misses(held: Held, clips: Sequence[str]) -> list[Label]:
    """Balls that were not found, the largest first: those a person sees at once."""
    t = held.asked
    missed = np.flatnonzero(t.score < SURE)
    order = missed[np.argsort(-t.ball[missed, 2], kind="stable")][:PER_SHEET]
    return [
        _shown(
            rank, clips[int(t.clip[i])], int(t.frame[i]), t.ball[i], float(t.score[i]), "recovered",
            "missed",
        )
        for rank, i in enumerate(order, start=1)
    ]  # fmt: skip


def worst_false(held: Held, clips: Sequence[str]) -> list[Label]:
    """What was taken for a ball and is none, the surest first."""
    t = held.finds
    false = np.flatnonzero((t.score >= SURE) & ~t.right)
    order = false[np.argsort(-t.score[false], kind="stable")][:PER_SHEET]
    return [
        _shown(
            rank, clips[int(t.clip[i])], int(t.frame[i]),
            np.array([*t.uv_px[i], t.radius_px[i], *np.nan_to_num(t.streak_px[i])]),
            float(t.score[i]), "negative", "taken for a ball",
        )
        for rank, i in enumerate(order, start=1)
    ]  # fmt: skip


def _shown(
    rank: int, clip: str, frame: int, ball: FloatArray, score: float, kind: Any, why: str
) -> Label:
    """A place as the sheets draw it; the share in the caption is the detector's score."""
    u, v, radius, du, dv = (float(x) for x in ball)
    return Label(
        clip, frame, 0.0, kind, (u, v), max(radius, 0.5), (du, dv), "detection",
        min(max(score, 0.0), 1.0), "open", "", 0.0, None, why, rank,
    )  # fmt: skip


def curves_png(scores: Scores, who: str) -> bytes:
    """Precision over recall at both tolerances, and what scores are worth."""
    from matplotlib.figure import Figure

    with house_style():
        figure = Figure(figsize=(10.0, 4.6), dpi=140)
        left = figure.add_axes((0.07, 0.13, 0.40, 0.70))
        right = figure.add_axes((0.57, 0.13, 0.40, 0.70))
        there = [d for d in scores.detectors if who in d.held]
        for d, (colour, _) in zip(there, LINES * len(there), strict=False):
            for half, style in ((False, "-"), (True, ":")):
                precision, recall, _ = curve(d.held[who], half=half)
                left.plot(100 * recall, 100 * precision, style, color=colour, lw=1.6)
        for d, (colour, style) in zip(there, LINES * len(there), strict=False):
            score, share, count = reliability(d.held[who])
            right.plot(score, 100 * share, style, color=colour, lw=1.2)
            right.scatter(
                score, 100 * share, 8 + 40 * np.sqrt(count / count.max()), color=colour,
                label=_key(d, count), zorder=3,
            )  # fmt: skip
        right.plot([0, 1], [0, 100], color=HAIR, lw=1.0, zorder=0)
        for axes, x, y in ((left, "recall [%]", "precision [%]"), (right, "score", "balls [%]")):
            axes.set_xlabel(x)
            axes.set_ylabel(y)
            axes.spines[["top", "right"]].set_visible(False)
            axes.grid(color=HAIR, lw=0.5)
        left.set_xlim(0, 101)
        left.set_ylim(0, 101)
        right.set_ylim(0, 101)
        right.legend(frameon=False, fontsize=8, loc="upper left", labelcolor=INK)
        figure.text(0.07, 0.93, f"Against {KNOWN_BY[who]}", fontsize=12, fontweight="bold")
        figure.text(
            0.07, 0.87, "Within one radius of the centre; dotted: within half of it", color=SOFT
        )
        figure.text(0.57, 0.87, "On the grey line a score is the share of balls", color=SOFT)
        stream = io.BytesIO()
        figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()


def _key(d: ScoredDetector, count: Any) -> str:
    return f"{_head(d)} ({int(count.sum())} finds)"


def _head(d: ScoredDetector) -> str:
    """A detector's name as heads have room for."""
    path = Path(d.name)
    return f"…/{path.name}" if path.is_absolute() else d.name
