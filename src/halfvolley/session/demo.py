"""The demo: footage of an invented game, whose truth is known, as a session."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from halfvolley.session.edit import new_session, set_words
from halfvolley.session.read import ContactRow, read_summary
from halfvolley.session.schema import FILE_NAME, Session, read_session

CLIP_NAME = "demo.mp4"
SIZE_PX = (1280, 720)
SAME_TOUCH_S, SAME_TOUCH_M = 0.05, 0.40  # a reported bounce is this near to the true one
INSIDE_95 = 5.991  # 95 % quantile of chi-square with two degrees of freedom


@dataclass(frozen=True, slots=True)
class Comparison:
    """A measured made clip held against its truth."""

    n_true: int  # bounces between serve and end of a rally
    n_found: int
    n_false: int
    error_mm: tuple[float, ...]  # of those found
    inside_95: int  # found ones whose true place lies within the ellipse


def demo_session(
    folder: Path | str,
    *,
    seed: int,
    duration_s: float,
    progress: Callable[[str, float], None] | None = None,
) -> Session:
    """A session with one made clip; what is there already is kept.

    Parameters
    ----------
    folder : Path or str
        Made where it does not exist yet.
    seed : int
        Another number makes another hall, camera and game.
    duration_s : float
        Length of the clip [s].
    progress : callable, optional
        Told what is being done and which share of it is done.

    Returns
    -------
    Session
        As read back.

    Raises
    ------
    StorageError
        If it could not be written.
    """
    folder = Path(folder)
    if (folder / FILE_NAME).exists():
        return read_session(folder)
    from halfvolley.session.files import storing
    from halfvolley.simulate import make_clip, random_scene

    say = progress or (lambda text, share: None)
    say("making footage", 0.0)
    with storing(folder):
        folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    scene = random_scene(rng, "side", size_px=SIZE_PX)
    clip = folder / CLIP_NAME
    make_clip(clip, scene, rng, duration_s, progress=lambda share: say("making footage", share))
    say("making footage", 1.0)
    session = new_session(folder, [clip], venue=f"{scene.title} (made footage)")
    return set_words(session, "players", A=scene.players[0].name, B=scene.players[1].name)


def compare_with_truth(folder: Path | str) -> Comparison | None:
    """How far off the demo's measurement is; None where no truth lies beside the clip.

    Parameters
    ----------
    folder : Path or str
        The demo's session folder, measured.

    Returns
    -------
    Comparison or None
        The ends of a table look alike, so the half turn of the table that fits better is taken.
    """
    truth = read_session(folder).clips[0].path.with_suffix(".json")
    if not truth.is_file():
        return None
    clip = read_summary(folder).clips[0]
    document = json.loads(truth.read_text(encoding="utf-8"))
    play = {r["id"]: (r["t_serve"], r["t_end"]) for r in document["rallies"]}
    events = [
        (float(e["pts_t"]), np.array(e["xyz"][:2]), _within(play.get(e["rally"]), e["t"]))
        for e in document["events"]
        if e["type"] == "table" and e["in_clip"]
    ]
    turns = [_compare(clip.bounces, events, sign) for sign in (1.0, -1.0)]
    return max(turns, key=lambda c: (c.n_found, -float(np.median(c.error_mm or (0.0,)))))


def comparison_words(c: Comparison) -> str:
    """A comparison as a sentence."""
    words = f"Truth of the made clip: {c.n_true} bounces in play, {c.n_found} found"
    words += f", {c.n_false} reported that never were"
    if c.error_mm:
        words += (
            f"; off by {np.median(c.error_mm):.0f} mm (median), {max(c.error_mm):.0f} mm at worst"
            f"; {c.inside_95} of {c.n_found} within their 95 % ellipse"
        )
    return words + "."


def _within(span: tuple[float, float] | None, t_s: float) -> bool:
    return span is not None and span[0] - 1e-3 <= t_s <= span[1] + 1e-3


def _compare(
    bounces: tuple[ContactRow, ...], events: list[tuple[float, np.ndarray, bool]], sign: float
) -> Comparison:
    errors, inside, free = [], 0, list(bounces)
    matched = 0
    for t_s, xy_m, in_play in events:
        near = [
            b
            for b in free
            if abs(b.t_s - t_s) < SAME_TOUCH_S
            and np.hypot(sign * b.x_m - xy_m[0], sign * b.y_m - xy_m[1]) < SAME_TOUCH_M
        ]
        if not near:
            continue
        best = min(near, key=lambda b: abs(b.t_s - t_s))
        free.remove(best)
        matched += 1
        if not in_play:
            continue
        off = np.array([sign * best.x_m, sign * best.y_m]) - xy_m
        cov = np.array([[best.cov_xx_m2, best.cov_xy_m2], [best.cov_xy_m2, best.cov_yy_m2]])
        errors.append(1e3 * float(np.hypot(*off)))
        inside += int(off @ np.linalg.solve(cov, off) < INSIDE_95)
    n_true = sum(in_play for _, _, in_play in events)
    return Comparison(n_true, len(errors), len(bounces) - matched, tuple(errors), inside)
