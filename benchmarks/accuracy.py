"""How far off are bounces, times, speeds and the camera, and do the error bars hold the truth?

    python benchmarks/accuracy.py                          36 clips made now, from a fresh seed
    python benchmarks/accuracy.py --seed 5 --keep FOLDER   can be broken off and taken up again
    python benchmarks/accuracy.py --footage FOLDER         clips NAME.mp4 with NAME.json beside them

Each clip is measured through a session like a stranger's: no corners, no shutter, no word at all.
`scoring.py` says what counts as found, false and inside. Intervals are 95 %, by drawing whole clips
again: bounces of one clip share a camera. A clip that fails counts with all its bounces as missed.
Both plain methods of `plain.py` run on the same clips with the true corners.
"""

import argparse
import os
import secrets
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

import numpy as np
from made import CLIPS, SECONDS, Wanted, make_all
from pages import command, stamped, table, write_part
from scoring import CHI2_68, CHI2_95, FORMAT, Floats, Matched, Score
from trial import LOST, Trial, try_clip

DRAWS = 1000
FEWEST_CLIPS = 5  # fewer say nothing about others: no interval, no percentage
VIEWS = ("side", "corner", "end", "webcam")
SUFFIXES = (".mp4", ".mov", ".mkv", ".webm", ".avi")
Trials = list[Trial]
T = TypeVar("T")


# --- numbers of a set of clips -------------------------------------------------------------------
def scores(trials: Trials) -> list[Score]:
    """Of the clips that were measured."""
    return [t.auto for t in trials if t.auto is not None]


def given(trials: Trials) -> list[Score]:
    """The same with readout and exposure given."""
    return [t.given for t in trials if t.given is not None]


def joined(parts: list[Floats]) -> Floats:
    """One array of all."""
    return np.concatenate(parts) if parts else np.zeros(0)


def median(values: Floats) -> float:
    """Of what is known; NaN where there is nothing."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else np.nan


def percent(part: float, whole: float) -> float:
    """NaN where there is nothing."""
    return 100.0 * part / whole if whole else np.nan


def asked(trials: Trials) -> int:
    """How many bounces must be found."""
    return sum(len(t.truth.must_t_s) for t in trials)


def matched(trials: Trials, way: str) -> list[Matched]:
    """Bounces held against the truth: of the project, or of one of the plain methods."""
    if way == "project":
        return [s.bounces for s in scores(trials)]
    found = [getattr(t, way) for t in trials]
    return [m for m in found if m is not None]


def found_percent(trials: Trials, way: str = "project") -> float:
    """Of all that must be found, also in clips that failed."""
    return percent(sum(m.n_found for m in matched(trials, way)), asked(trials))


def false_percent(trials: Trials, way: str = "project") -> float:
    """Of those reported."""
    ms = matched(trials, way)
    return percent(sum(m.n_false for m in ms), sum(m.n_claimed for m in ms))


def off_mm(trials: Trials, way: str = "project") -> Floats:
    """Error of each place."""
    return joined([m.distance_mm for m in matched(trials, way)])


def times_smaller(trials: Trials, way: str) -> float:
    """Old median error over new median error."""
    new = median(off_mm(trials))
    return median(off_mm(trials, way)) / new if new > 0 else np.nan


def inside(trials: Trials, limit: float) -> float:
    """Share of true places within an ellipse."""
    q = joined([s.mahalanobis2 for s in scores(trials)])
    return percent(float(np.sum(q < limit)), len(q))


def over_bound(trials: Trials) -> float:
    """Root mean square error over that of the Bayesian bound, of the same bounces."""
    error, bound = [], []
    for t in trials:
        if t.auto is not None:
            m = t.auto.bounces
            known = np.isfinite(t.bound_m[m.must])
            error.append(m.distance_mm[known] ** 2)
            bound.append(1e6 * t.bound_m[m.must][known] ** 2)
    below = joined(bound)
    return float(np.sqrt(np.mean(joined(error)) / np.mean(below))) if len(below) else np.nan


def late_ms(ss: list[Score]) -> float:
    """Median error of a bounce's time, whatever its sign."""
    return median(1e3 * np.abs(joined([s.late_s for s in ss])))


def time_inside(ss: list[Score]) -> float:
    """Share of times within 1.96 of their standard deviations."""
    ok = joined([np.abs(s.late_s) < 1.96 * s.late_sd_s for s in ss])
    return percent(float(np.sum(ok)), len(ok))


def strokes_percent(trials: Trials) -> float:
    """Found, of all in the clips, also in clips that failed."""
    n = sum(len(t.truth.strokes.t_s) for t in trials)
    return percent(sum(s.n_strokes_found for s in scores(trials)), n)


def false_strokes(trials: Trials) -> float:
    """Of those reported."""
    ss = scores(trials)
    false = sum(s.n_strokes_false for s in ss)
    return percent(false, false + sum(s.n_strokes_found for s in ss))


def player_right(trials: Trials) -> float:
    """Of strokes found."""
    right = joined([s.player_right for s in scores(trials)])
    return percent(float(np.sum(right)), len(right))


def detected(trials: Trials) -> float:
    """Mean over clips of the share of frames with the ball in flight that have it detected."""
    return 100.0 * float(np.mean([t.detected for t in trials]))


Number = Callable[[Trials], float]


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the table."""

    name: str
    number: Number
    shown: str = "{:.1f}"
    target: str = ""
    pooled: bool = False  # says nothing about few clips
    exact: bool = False  # a count or an extreme: drawing clips again says nothing of it


FAILED = Row(
    "clips without any result", lambda ts: sum(bool(t.failed) for t in ts), "{:.0f}", exact=True
)
ROWS = (
    Row("clips", len, "{:.0f}", ">= 30 in all", exact=True),
    FAILED,
    Row("bounces asked for", asked, "{:.0f}", ">= 300 in all", exact=True),
    Row("bounces found, %", found_percent, target=">= 97"),
    Row("false ones, % of reported", false_percent, target="<= 2"),
    Row("position error, median, mm", lambda ts: median(off_mm(ts)), target="<= 8"),
    Row(
        "position error, 95th percentile, mm",
        lambda ts: float(np.percentile(off_mm(ts), 95)) if len(off_mm(ts)) else np.nan,
        target="<= 30",
        pooled=True,
    ),
    Row("truth within 95 % ellipse, %", lambda ts: inside(ts, CHI2_95), target="92-98"),
    Row("truth within 68 % ellipse, %", lambda ts: inside(ts, CHI2_68), pooled=True),
    Row(
        "claimed sd, median, mm",
        lambda ts: median(joined([s.claimed_sd_mm for s in scores(ts)])),
    ),
    Row("RMS error over the Bayesian bound", over_bound, "{:.2f}", "<= 1.5", pooled=True),
    Row("time error, median, ms", lambda ts: late_ms(scores(ts)), "{:.2f}", "covered"),
    Row("truth within 1.96 sd of the time, %", lambda ts: time_inside(scores(ts)), pooled=True),
    Row(
        "time error, readout and exposure given, ms",
        lambda ts: late_ms(given(ts)),
        "{:.2f}",
        "<= 1.5",
    ),
    Row(
        "truth within 1.96 sd, given, %",
        lambda ts: time_inside(given(ts)),
        pooled=True,
    ),
    Row(
        "speed after a stroke, median error, %",
        lambda ts: 100 * median(np.abs(joined([s.speed_off for s in scores(ts)]))),
        "{:.2f}",
        "<= 4",
    ),
    Row("strokes found, %", strokes_percent),
    Row("false strokes, % of reported", false_strokes),
    Row("player right, % of strokes found", player_right),
    Row(
        "topspin after a stroke, median error, rev/s",
        lambda ts: median(np.abs(joined([s.topspin_off_revps for s in scores(ts)]))),
    ),
    Row(
        "table corners, median, px",
        lambda ts: median(joined([s.corners_px for s in scores(ts)])),
        "{:.2f}",
        "<= 0.3",
    ),
    Row(
        "table corners, worst, px",
        lambda ts: float(np.max(joined([s.corners_px for s in scores(ts)]), initial=-np.inf)),
        "{:.2f}",
        "<= 1",
        exact=True,
    ),
    Row(
        "net posts, median, px",
        lambda ts: median(joined([s.posts_px for s in scores(ts)])),
        "{:.2f}",
    ),
    Row(
        "error of the table over its surface, median, mm",
        lambda ts: median(joined([s.table_mm for s in scores(ts)])),
        "{:.2f}",
        "<= 4",
    ),
    Row("ball detected, % of frames in play", detected),
    Row("plain method: found, %", lambda ts: found_percent(ts, "plain")),
    Row("plain method: false ones, %", lambda ts: false_percent(ts, "plain")),
    Row("plain method: position error, median, mm", lambda ts: median(off_mm(ts, "plain"))),
    Row("... over that of the project", lambda ts: times_smaller(ts, "plain"), target=">= 4"),
    Row("nearest frame: found, %", lambda ts: found_percent(ts, "nearest")),
    Row("nearest frame: false ones, %", lambda ts: false_percent(ts, "nearest")),
    Row("nearest frame: position error, median, mm", lambda ts: median(off_mm(ts, "nearest"))),
    Row("... over that of the project", lambda ts: times_smaller(ts, "nearest"), target=">= 4"),
)


def interval(
    number: Callable[[list[T]], float], clips: list[T], rng: np.random.Generator
) -> tuple[float, float]:
    """95 % interval of a number by drawing clips with replacement."""
    drawn = [number([clips[i] for i in rng.integers(len(clips), size=len(clips))])
             for _ in range(DRAWS)]  # fmt: skip
    kept = [value for value in drawn if np.isfinite(value)]
    low, high = np.percentile(kept, [2.5, 97.5]) if kept else (np.nan, np.nan)
    return float(low), float(high)


def cell(row: Row, trials: Trials, rng: np.random.Generator) -> str:
    """A number with its interval, or a dash where it says nothing."""
    if not trials or (row.pooled and len(trials) < FEWEST_CLIPS):
        return "–"
    value = row.number(trials)
    if not np.isfinite(value):
        return "–"
    text = row.shown.format(value)
    if row.exact or len(trials) < FEWEST_CLIPS:
        return text
    low, high = interval(row.number, trials, rng)
    return f"{text} ({row.shown.format(low)}-{row.shown.format(high)})"


def pooled_table(trials: Trials, rng: np.random.Generator, wanted: tuple[Row, ...] = ROWS) -> str:
    """All numbers by view."""
    views = [v for v in VIEWS if any(t.truth.kind == v for t in trials)]
    rows = [
        [
            row.name,
            row.target,
            *(cell(row, [t for t in trials if t.truth.kind == v], rng) for v in views),
        ]
        for row in wanted
    ]
    return table(["", "target, side views", *views], rows)


# --- clip by clip --------------------------------------------------------------------------------
SINGLE = (
    "clip", "view", "found", "false", "median mm", "worst mm", "in 95 %", "sd mm", "time ms",
    "given ms", "speed %", "strokes", "false", "player", "corner px", "table mm",
    "plain found", "mm", "nearest found", "mm",
)  # fmt: skip


def single(t: Trial, name: str = "") -> list[str]:
    """One clip in counts and medians, under its own name or another."""
    name = name or t.truth.name
    n = len(t.truth.must_t_s)
    rivals = []
    for m in (t.plain, t.nearest):
        rivals += ["–", "–"] if m is None else [f"{m.n_found}/{n}", number(median(m.distance_mm))]
    if t.auto is None or t.given is None:
        return [name, t.truth.kind, f"0/{n}", *["–"] * 13, *rivals]
    s, m = t.auto, t.auto.bounces
    return [
        name,
        t.truth.kind,
        f"{m.n_found}/{n}",
        f"{m.n_false}",
        number(median(m.distance_mm)),
        number(float(np.max(m.distance_mm, initial=-np.inf))),
        f"{np.sum(s.mahalanobis2 < CHI2_95)}/{m.n_found}",
        number(median(s.claimed_sd_mm)),
        number(late_ms([s]), 2),
        number(late_ms([t.given]), 2),
        number(100 * median(np.abs(s.speed_off)), 1),
        f"{s.n_strokes_found}/{s.n_strokes}",
        f"{s.n_strokes_false}",
        f"{np.sum(s.player_right)}/{s.n_strokes_found}",
        number(float(np.max(s.corners_px)), 2),
        number(median(s.table_mm)),
        *rivals,
    ]


def number(value: float, digits: int = 1) -> str:
    """A dash where there is none."""
    return f"{value:.{digits}f}" if np.isfinite(value) else "–"


def losses(trials: Trials) -> str:
    """Which stage lost the bounces that were missed, and why clips failed, by number."""
    lost = [name for t in trials for name in t.lost]
    words = ", ".join(f"{name} {lost.count(name)}" for name in LOST if name in lost) or "none"
    lines = [f"Bounces missed, by the first stage that lost them: {words}."]
    lines += [f"- clip {i}: {t.failed}" for i, t in enumerate(trials, start=1) if t.failed]
    return "\n".join(lines)


# --- the run -------------------------------------------------------------------------------------
def clips_in(folder: Path) -> list[Path]:
    """Clips that have a truth file beside them."""
    found = [
        p
        for p in sorted(folder.iterdir())
        if p.suffix.lower() in SUFFIXES and p.with_suffix(".json").is_file()
    ]
    if not found:
        raise SystemExit(
            f"no clips with truth in {folder}; put NAME.json ({FORMAT}) beside NAME.mp4"
        )
    return found


@contextmanager
def kept_in(folder: Path | None) -> Iterator[Path]:
    """The folder, or a temporary one."""
    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
        yield folder
        return
    with tempfile.TemporaryDirectory(prefix="halfvolley-accuracy-") as made:
        yield Path(made)


def seed_of(said: int | None, folder: Path) -> int:
    """The seed as said, else the one used before in this folder, else a fresh one."""
    note = folder / "seed.txt"
    if said is None and note.exists():
        said = int(note.read_text())
    seed = secrets.randbelow(1_000_000) if said is None else said
    note.write_text(f"{seed}\n")
    return seed


def try_all(clips: list[Path], folder: Path, give: bool, processes: int) -> Trials:
    """All clips, told as they get done, in the order of their names."""
    folder.mkdir(parents=True, exist_ok=True)
    done: dict[str, Trial] = {}
    print("  ".join(SINGLE), flush=True)
    with ProcessPoolExecutor(processes, get_context("spawn")) as pool:
        jobs = {pool.submit(try_clip, clip, folder, give): clip for clip in clips}
        for job in as_completed(jobs):
            trial = job.result()
            done[jobs[job].stem] = trial
            note = f"  [{trial.took_s:.0f} s] {'; '.join(trial.lost)} {trial.failed}"
            print("  ".join(single(trial)) + note, flush=True)
    return [done[name] for name in sorted(done)]


def options(what: str, n_clips: int = CLIPS) -> argparse.ArgumentParser:
    """The command line of a benchmark on clips with truth."""
    parser = argparse.ArgumentParser(description=what)
    parser.add_argument("--footage", type=Path, help="clips with truth instead of made ones")
    parser.add_argument("--clips", type=int, default=n_clips, help="how many are made")
    parser.add_argument("--seconds", type=float, default=SECONDS, help="length of a made clip")
    parser.add_argument("--seed", type=int, help="of the made clips; fresh where left out")
    parser.add_argument("--keep", type=Path, help="keep clips and sessions there and reuse them")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--write", metavar="PART", help="put the tables into docs/benchmarks.md")
    return parser


def clips_for(said: argparse.Namespace, folder: Path) -> tuple[list[Path], str]:
    """Clips with truth, taken or made, and the command that gives them again."""
    if said.footage is not None:
        return clips_in(said.footage), command((said.footage,))
    seed = seed_of(said.seed, folder)
    wanted = [Wanted(seed, i, said.seconds) for i in range(said.clips)]
    for path in make_all(wanted, folder / "clips", said.processes):
        print(f"made {path.name}", flush=True)
    clips = [folder / "clips" / f"{w.name}.mp4" for w in wanted]
    return clips, command() + ("" if said.seed is not None else f" --seed {seed}")


def main() -> None:
    """Make or take the clips, measure them, print and write the tables."""
    parser = options(__doc__.splitlines()[0])
    parser.add_argument("--given", action="store_true", help="give readout and exposure throughout")
    said = parser.parse_args()
    with kept_in(said.keep) as folder:
        clips, words = clips_for(said, folder)
        trials = try_all(clips, folder / "sessions", said.given, said.processes)
    rng = np.random.default_rng(1)  # of the intervals only
    parts = [pooled_table(trials, rng), losses(trials)]
    if said.footage is not None or len(trials) < FEWEST_CLIPS:
        # a reader does not have these files: numbers do for names
        rows = [single(t, str(i)) for i, t in enumerate(trials, start=1)]
        parts.insert(1, table(list(SINGLE), rows))
    text = stamped("\n\n".join(parts), words)
    print("\n" + text)
    if said.write:
        write_part(said.write, text)


if __name__ == "__main__":
    main()
