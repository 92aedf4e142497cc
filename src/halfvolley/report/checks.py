"""Checks from outside in words, rows and a picture: a ball on marks, and a dropped ball."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from halfvolley.camera import MARK_NAMES, MarksCheck
from halfvolley.errors import Unknown
from halfvolley.flight import Drops
from halfvolley.report.figures.paper import FULL_IN, new_figure
from halfvolley.report.look import END_A, END_B, HAIR, SOFT, house_style
from halfvolley.report.words import DASH, with_sd
from halfvolley.session.pipeline import ClipResult, load_clip
from halfvolley.session.read import read_summary
from halfvolley.session.schema import read_session

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class Checks:
    """A check as a person reads it."""

    title: str
    words: tuple[str, ...]  # the verdict first
    heads: tuple[str, ...]
    units: tuple[str, ...]
    rows: tuple[list[str], ...]
    draw: "Callable[[], Figure] | None" = None


GUIDE = f"""\
How to check a camera with a ball on marks:
1. Film with the same camera, place, zoom and settings as the play, the table free of people. An
   orange ball shows best against the white lines.
2. Lay the ball for 3 seconds on each of these marks, in this order, and step back each time:
   {", ".join(MARK_NAMES[:3])},
   {", ".join(MARK_NAMES[3:])}
   (right and left as the player at that end sees them; A is the left end in the picture, or the
   near one). Once around the table the other way is as good.
3. At a corner, hold two flat upright things, such as a book and a racket, against the table's end
   and side; the ball lies on the table and touches both. Its middle is then above the inner corner
   of the white lines. At the middle of an end it touches the thing at the end and lies on the
   centre line. A crumb of putty, no larger than a pinhead, keeps it from rolling. Take the things
   and your hands out of the picture.
4. Then: halfvolley calibrate SESSION --verify --clip MARKS_CLIP"""

GRAVITY_MPS2 = (9.78, 9.83)  # at the sea's height, from the equator to Europe's north
REBOUND_M = (0.220, 0.250)  # of approved tables; Law 2.1.3 says "about 23 cm"
MARK_HEADS = ("mark", "off", "along x", "across y", "claimed ±")
MARK_UNITS = ("", "mm", "mm", "mm", "mm")
DROP_HEADS = (
    "drop", "bounce", "time", "speed in", "speed out", "restitution", "fell from", "rose to",
)  # fmt: skip
DROP_UNITS = ("no.", "no.", "s", "m/s", "m/s", "", "mm", "mm")


def marks_words(check: MarksCheck | Unknown) -> list[str]:
    """The verdict on a camera, then what was not seen."""
    if isinstance(check, Unknown):
        return [f"The camera could not be checked: {check.reason}."]
    n = len(check.marks)
    words = (
        f"On {n} marks the camera is off by {check.mean_mm:.1f} mm on average, "
        f"{check.worst_mm:.1f} mm at worst: {_verdict(check)}"
    )
    missing = [f"The ball was not seen on the {name}: {why}." for name, why in check.missing]
    return [words, *missing]


def _verdict(check: MarksCheck) -> str:
    share = f"{check.factor:.1f} times what it claims"
    if check.verdict == "worse":
        return (
            f"it is worse than it claims (differences {share}); see whether the drawn lines lie on "
            "the table, and whether the ball lay exactly"
        )
    if check.verdict == "doubtful":
        return f"it may be worse than it claims (differences {share}); check once more"
    return f"it agrees with what it claims (differences {share})"


def mark_rows(check: MarksCheck | Unknown) -> list[list[str]]:
    """Each mark under `MARK_HEADS`."""
    if isinstance(check, Unknown):
        return []
    rows = []
    for mark in check.marks:
        dx, dy = 1e3 * (mark.seen_m - mark.true_m)
        rows.append(
            [mark.name, f"{mark.off_mm:.1f}", f"{dx:+.1f}", f"{dy:+.1f}", f"{mark.sd_mm:.1f}"]
        )
    return rows + [[name, DASH, DASH, DASH, DASH] for name, _ in check.missing]


def drop_words(drops: Drops | Unknown) -> list[str]:
    """What dropped balls say of table and scale."""
    if isinstance(drops, Unknown):
        return [f"No drop was measured: {drops.reason}."]
    return [_restitution_words(drops), _rebound_words(drops), _gravity_words(drops)]


def _restitution_words(drops: Drops) -> str:
    n = len(drops.bounces)
    low = min(b.speed_in_mps for b in drops.bounces)
    high = max(b.speed_in_mps for b in drops.bounces)
    slope_sd = float(np.sqrt(drops.restitution_cov[1, 1]))
    at_low, at_high = (drops.restitution_at(v) for v in (low, high))
    return (
        f"Restitution from {n} bounces: {with_sd(*at_high, 3)} at {high:.1f} m/s, "
        f"{with_sd(*at_low, 3)} at {low:.1f} m/s; it falls by "
        f"{with_sd(drops.restitution_slope_spm, slope_sd, 3)} for each m/s."
    )


def _rebound_words(drops: Drops) -> str:
    rise, sd = drops.standard_rebound_m, drops.standard_rebound_sd_m
    words = f"Dropped from 300 mm the ball would rise to {with_sd(1e3 * rise, 1e3 * sd, 0)} mm: "
    low, high = REBOUND_M
    if rise + 2 * sd < low:
        return words + "a slower table (or a cracked ball) than the laws' about 230 mm."
    if rise - 2 * sd > high:
        return words + "a faster table than the laws' about 230 mm."
    return words + "as the laws want it (about 230 mm; 220 to 250 mm on approved tables)."


def _gravity_words(drops: Drops) -> str:
    g, sd = drops.gravity_mps2, drops.gravity_sd_mps2
    low, high = GRAVITY_MPS2
    words = f"With the table's own scale, gravity comes out as {with_sd(g, sd, 2)} m/s²"
    off = max(low - g, g - high, 0.0)
    share = 100.0 * (g / np.clip(g, low, high) - 1.0)
    if off <= 2.0 * sd:
        return f"{words} ({low} to {high} on Earth): heights and times agree."
    if off <= 3.5 * sd:
        return f"{words}, {low} to {high} on Earth: doubtful by {share:+.1f} %; drop it again."
    return (
        f"{words}, but it is {low} to {high} on Earth: heights or times are off by {share:+.1f} %. "
        "Is it a table and ball of regular size, and the clip's own rate (no slow motion)?"
    )


def drop_rows(drops: Drops | Unknown) -> list[list[str]]:
    """Each bounce under `DROP_HEADS`."""
    if isinstance(drops, Unknown):
        return []
    return [
        [
            str(b.drop), str(b.number), f"{b.t_s:.3f}",
            with_sd(b.speed_in_mps, b.speed_in_sd_mps, 2),
            with_sd(b.speed_out_mps, b.speed_out_sd_mps, 2),
            with_sd(b.restitution, b.restitution_sd, 3),
            with_sd(1e3 * b.fall_m, 1e3 * b.fall_sd_m, 0),
            with_sd(1e3 * b.rise_m, 1e3 * b.rise_sd_m, 0),
        ]
        for b in drops.bounces
    ]  # fmt: skip


def drop_figure(drops: Drops) -> "Figure":
    """Restitution over impact speed with its fitted line."""
    speed = np.array([b.speed_in_mps for b in drops.bounces])
    e = np.array([b.restitution for b in drops.bounces])
    sd = np.array([b.restitution_sd for b in drops.bounces])
    sharp = sd < 0.05  # the others would only stretch the picture
    grid = np.linspace(max(float(speed.min()) - 0.2, 0.0), float(speed.max()) + 0.2, 40)
    line = np.array([drops.restitution_at(float(v)) for v in grid])
    with house_style():
        figure = new_figure(FULL_IN, 3.2)
        axes = figure.add_axes((0.10, 0.17, 0.87, 0.72))
        axes.fill_between(
            grid, line[:, 0] - 2 * line[:, 1], line[:, 0] + 2 * line[:, 1], color=HAIR, alpha=0.5,
            lw=0,
        )  # fmt: skip
        axes.plot(grid, line[:, 0], color=END_A, lw=1.4)
        axes.errorbar(
            speed[sharp], e[sharp], 2 * sd[sharp], fmt="o", color=END_B, ms=4, lw=1.0, capsize=2
        )
        axes.set_xlabel("impact speed in m/s")
        axes.set_title("Restitution, with two standard deviations", loc="left", color=SOFT)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
    return figure


def marks_checks(check: MarksCheck | Unknown) -> Checks:
    """The check of a camera with a ball on marks."""
    return Checks(
        "A ball on marks of the table", tuple(marks_words(check)), MARK_HEADS, MARK_UNITS,
        tuple(mark_rows(check)),
    )  # fmt: skip


def checks_of(result: ClipResult) -> Checks | None:
    """The check that a measured clip holds; None where it shows play."""
    if result.marks is not None:
        return marks_checks(result.marks)
    if result.drops is not None:
        drops: Drops | Unknown = result.drops
        draw = None if isinstance(drops, Unknown) else partial(drop_figure, drops)
        return Checks(
            "A dropped ball", tuple(drop_words(drops)), DROP_HEADS, DROP_UNITS,
            tuple(drop_rows(drops)), draw,
        )  # fmt: skip
    return None


def read_checks(folder: Path) -> dict[str, Checks]:
    """The checks of a session's measured clips, by name of the clip.

    Parameters
    ----------
    folder : Path
        The session folder.

    Raises
    ------
    BadSession
        If a clip that holds a check is not measured as session.toml stands.
    """
    out = {}
    measured = {clip.clip for clip in read_summary(folder).clips}
    for entry in read_session(folder).clips:
        if entry.kind in ("drop", "marks") and entry.name in measured:
            check = checks_of(load_clip(folder, entry.name))
            if check is not None:
                out[entry.name] = check
    return out
