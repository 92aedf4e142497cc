"""Is the play read right: rallies, players, serves, outcomes, and what is said of each stroke?

    python benchmarks/play.py                        clips made now, from a fresh seed
    python benchmarks/play.py --clips 60 --seed 5 --keep FOLDER      can be taken up again
    python benchmarks/play.py --footage FOLDER       clips NAME.mp4 with NAME.json beside them

Each clip is measured like a stranger's: nothing is said. What counts:

- A rally is asked for if it begins and ends within the clip. It is found if one was reported whose
  start and end lie within 0.2 s of its own. A reported rally that overlaps no true one is false.
- An outcome is that of the reported rally which overlaps most; where there is none it is unknown.
- A serve is asked for if at least a second of the clip follows it. It is identified if the stroke
  at that time was reported as the first of its rally, of the right server.
- Strokes are paired as in `scoring.py`. The true height over the net is the made ball's own.

Intervals are 95 %, by drawing whole clips again. A clip that fails counts with all that it shows as
missed.
"""

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from accuracy import (
    FAILED,
    Row,
    clips_for,
    kept_in,
    median,
    options,
    percent,
    pooled_table,
)
from pages import stamped, write_part
from scoring import Floats, Truth, match_bounces, pair_strokes, read_claims, read_truth
from trial import in_words, source_key

from halfvolley import measure, new_session, read_session
from halfvolley.match.records import Estimate, RallyRecord, StrokeRecord
from halfvolley.session.records import Records, read_records

CLIPS = 8
SAME_END_S = 0.2  # of a rally's start and end
AFTER_SERVE_S = 1.0  # a serve is over by then
NET_TOP_M, NET_END_M = 0.1525, 0.915
ENDS = ("A", "B")


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """What was read of one clip, held against its truth."""

    truth: Truth
    failed: str
    rallies: tuple[bool, ...]  # of those asked for: found
    outcomes: tuple[str, ...]  # of those asked for: right, wrong or unknown
    said: Floats  # (k, 2) of the outcomes that were said: probability, and 1 where right
    foretold: Floats  # (k, 2) of the ends that were foretold: how late, claimed sd [s]
    false_rallies: int
    reported_rallies: int
    serves: tuple[bool, ...]  # of those asked for: identified
    n_strokes: int
    player_right: tuple[bool, ...]  # of those found
    speed: Floats  # (k, 3) true, claimed, claimed sd; NaN where not reported
    topspin: Floats  # (k, 3)
    clearance: Floats  # (k, 3)


Trials = list[Trial]


# --- the truth -----------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class TrueRally:
    """A rally of the truth file on the clip's own clock."""

    server: str
    t_serve_s: float
    t_end_s: float
    winner: str


def true_rallies(truth: Truth) -> list[TrueRally]:
    """All rallies that reach into the clip."""
    time = truth.document["time"]

    def clip_time(t: float) -> float:
        return float((t - time["t_offset_s"]) / (1.0 + 1e-6 * time["clock_ppm"]))

    return [
        TrueRally(r["server"], clip_time(r["t_serve"]), clip_time(r["t_end"]),
                  r["outcome"]["winner"])
        for r in truth.document["rallies"]
    ]  # fmt: skip


def span(truth: Truth) -> tuple[float, float]:
    """First and last frame."""
    pts = truth.document["clip"]["pts"]
    return pts[0], pts[-1]


def true_clearance_m(truth: Truth, i: int) -> float:
    """How far the ball passes over the net after a stroke; NaN where it does not."""
    t0 = truth.strokes.t_s[i]
    later = [e for e in truth.document["events"] if e["pts_t"] > t0 + 1e-4]
    end = next((e["pts_t"] for e in later if e["type"] in ("racket", "net", "floor")), np.inf)
    balls = [f["ball"] for f in truth.document["frames"] if f["ball"]]
    flown = [b for b in balls if t0 < b["pts_t"] < end and b["state"] == "flight"]
    for a, b in pairwise(flown):
        if a["xyz"][0] * b["xyz"][0] < 0:
            _, y, z = crossing(a, b)
            over = z - truth.document["ball"]["radius_m"] - NET_TOP_M
            return over if abs(y) < NET_END_M else np.nan
    return np.nan


def crossing(a: dict[str, Any], b: dict[str, Any]) -> Floats:
    """Where a ball seen at two times passes x = 0: the cubic through both places and velocities."""
    h = b["t"] - a["t"]
    s = np.linspace(0.0, 1.0, 2001)[:, None]
    p0, p1 = np.array(a["xyz"]), np.array(b["xyz"])
    v0, v1 = h * np.array(a["vel"]), h * np.array(b["vel"])
    curve = (
        (2 * s**3 - 3 * s**2 + 1) * p0 + (s**3 - 2 * s**2 + s) * v0
        + (3 * s**2 - 2 * s**3) * p1 + (s**3 - s**2) * v1
    )  # fmt: skip
    return np.asarray(curve[np.argmin(np.abs(curve[:, 0]))])


# --- one clip ------------------------------------------------------------------------------------
def try_clip(clip: Path, folder: Path) -> Trial:
    """Measure a clip and hold its play against the truth."""
    truth = read_truth(clip.with_suffix(".json"))
    session = folder / f"{clip.stem}-{source_key()}"
    try:
        if not (session / "session.toml").exists():
            new_session(session, [clip])
        measure(session)
        name = read_session(session).clips[0].name
        claims = read_claims(session, name)
        turned = match_bounces(claims.t_s, claims.xy_m, truth).turned
        return judge(truth, read_records(session), turned)
    except Exception as error:  # also a crash is an outcome
        return judge(truth, None, False, in_words(error))


def judge(truth: Truth, records: Records | None, turned: bool, failed: str = "") -> Trial:
    """Rallies and strokes against the truth; `turned`: both ends have changed their names."""
    rallies = () if records is None else records.rallies
    strokes = () if records is None else records.strokes
    end = dict(zip(ENDS, reversed(ENDS) if turned else ENDS, strict=True))  # of the truth's
    spans = [rally_span(r, strokes) for r in rallies]
    first, last = span(truth)
    true = true_rallies(truth)
    whole = [r for r in true if r.t_serve_s >= first and r.t_end_s <= last]
    found, outcomes, said, foretold = [], [], [], []
    for wanted in whole:
        k = most_overlapping(wanted, spans)
        found.append(k is not None and same_ends(rallies[k], wanted))
        if k is None or rallies[k].outcome.winner is None:
            outcomes.append("unknown")
        else:
            right = rallies[k].outcome.winner == end[wanted.winner]
            outcomes.append("right" if right else "wrong")
            said.append((rallies[k].outcome.probability, float(right)))
        if k is not None and rallies[k].end_foretold:
            foretold.append((rallies[k].t_end_s - wanted.t_end_s, rallies[k].t_end_sd_s))
    times = np.array([s.t_s for s in strokes])
    asked = [r for r in true if first <= r.t_serve_s <= last - AFTER_SERVE_S]
    serves = [is_serve(strokes, times, r.t_serve_s, end[r.server]) for r in asked]
    pairs = pair_strokes(truth.strokes.t_s, times)
    return Trial(
        truth, failed, tuple(found), tuple(outcomes),
        np.array(said, float).reshape(-1, 2), np.array(foretold, float).reshape(-1, 2),
        sum(not any(overlap(s, (r.t_serve_s, r.t_end_s)) > -SAME_END_S for r in true)
            for s in spans),
        len(rallies), tuple(serves), len(truth.strokes.t_s),
        tuple(strokes[k].end == end[truth.strokes.player[i]] for k, i in pairs.items()),
        table_of([(truth.strokes.speed_mps[i], strokes[k].speed_mps) for k, i in pairs.items()]),
        table_of(
            [(truth.strokes.topspin_revps[i], strokes[k].topspin_revps) for k, i in pairs.items()]
        ),
        table_of([(true_clearance_m(truth, i), strokes[k].clearance_m) for k, i in pairs.items()]),
    )  # fmt: skip


def rally_span(rally: RallyRecord, strokes: tuple[StrokeRecord, ...]) -> tuple[float, float]:
    """From the first to the last that is known of a reported rally."""
    own = [s.t_s for s in strokes if (s.clip, s.rally_id) == (rally.clip, rally.rally_id)]
    times = [t for t in (rally.t_start_s, rally.t_end_s, *own) if t is not None]
    return (min(times), max(times)) if times else (np.inf, -np.inf)


def overlap(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Length of what two spans have in common [s]."""
    return min(a[1], b[1]) - max(a[0], b[0])


def most_overlapping(wanted: TrueRally, spans: list[tuple[float, float]]) -> int | None:
    """Which reported rally a true one is; None where there is none at that time."""
    common = [overlap((wanted.t_serve_s, wanted.t_end_s), s) for s in spans]
    k = int(np.argmax(common)) if common else 0
    return k if common and common[k] > -SAME_END_S else None


def same_ends(rally: RallyRecord, wanted: TrueRally) -> bool:
    """Whether start and end are right."""
    if rally.t_start_s is None or rally.t_end_s is None:
        return False
    late = (rally.t_start_s - wanted.t_serve_s, rally.t_end_s - wanted.t_end_s)
    return max(map(abs, late)) < SAME_END_S


def is_serve(strokes: tuple[StrokeRecord, ...], times: Floats, t_s: float, server: str) -> bool:
    """Whether the stroke at a time was reported as a serve of this end."""
    k = next(iter(pair_strokes(np.array([t_s]), times)), None)
    return k is not None and strokes[k].number == 1 and strokes[k].end == server


def table_of(pairs: list[tuple[float, Estimate | None]]) -> Floats:
    """True value, claimed value and its standard deviation; NaN where nothing was claimed."""
    rows = [
        (true, np.nan, np.nan) if e is None else (true, e.value, e.sd) for true, e in pairs
    ]  # fmt: skip
    return np.array(rows, float).reshape(-1, 3)


# --- numbers of a set of clips -------------------------------------------------------------------
def share(trials: Trials, name: str, value: object = True) -> float:
    """Per cent of the entries of a list that have a value."""
    entries = [e for t in trials for e in getattr(t, name)]
    return percent(sum(e == value for e in entries), len(entries))


def values(trials: Trials, name: str) -> Floats:
    """(k, 3) of all strokes of all clips."""
    return np.concatenate([getattr(t, name) for t in trials]) if trials else np.zeros((0, 3))


def error(trials: Trials, name: str) -> Floats:
    """Claimed less true, of those reported."""
    v = values(trials, name)
    off = v[:, 1] - v[:, 0]
    return np.asarray(off[np.isfinite(off)])


def covered(trials: Trials, name: str) -> float:
    """Per cent of the truths within 1.96 standard deviations, of those reported."""
    v = values(trials, name)
    v = v[np.isfinite(v).all(axis=1)]
    return percent(float(np.sum(np.abs(v[:, 1] - v[:, 0]) < 1.96 * v[:, 2])), len(v))


def said_percent(trials: Trials, column: int) -> float:
    """Mean of a column of the outcomes that were said, in per cent."""
    said = np.concatenate([t.said for t in trials]) if trials else np.zeros((0, 2))
    return percent(float(said[:, column].sum()), len(said))


def foretold_share(trials: Trials) -> float:
    """Per cent of the whole rallies whose end was foretold."""
    return percent(sum(len(t.foretold) for t in trials), sum(len(t.rallies) for t in trials))


def foretold_covered(trials: Trials) -> float:
    """Per cent of the foretold ends that lie within 1.96 standard deviations of their own."""
    ends = np.concatenate([t.foretold for t in trials]) if trials else np.zeros((0, 2))
    return percent(float(np.sum(np.abs(ends[:, 0]) < 1.96 * ends[:, 1])), len(ends))


def speed_percent(trials: Trials) -> float:
    """Median error in per cent of the true speed."""
    v = values(trials, "speed")
    return median(100.0 * np.abs(v[:, 1] / v[:, 0] - 1.0))


def topspin_over_limit(trials: Trials) -> float:
    """Median error over the larger of 12 rev/s and 20 %."""
    v = values(trials, "topspin")
    return median(np.abs(v[:, 1] - v[:, 0]) / np.maximum(12.0, 0.2 * np.abs(v[:, 0])))


def reported(trials: Trials, name: str) -> float:
    """Per cent of the strokes found of which a value is reported."""
    v = values(trials, name)
    return percent(float(np.isfinite(v[:, 1]).sum()), len(v))


def found_strokes(trials: Trials) -> float:
    """Per cent of all strokes in the clips."""
    return percent(sum(len(t.player_right) for t in trials), sum(t.n_strokes for t in trials))


def false_rallies(trials: Trials) -> float:
    """Per cent of those reported."""
    return percent(
        sum(t.false_rallies for t in trials), sum(t.reported_rallies for t in trials)
    )  # fmt: skip


ROWS = (
    Row("clips", len, "{:.0f}", exact=True),
    FAILED,
    Row("whole rallies", lambda ts: sum(len(t.rallies) for t in ts), "{:.0f}", ">= 60", exact=True),
    Row("strokes", lambda ts: sum(t.n_strokes for t in ts), "{:.0f}", ">= 300", exact=True),
    Row("rallies found, start and end within 0.2 s, %", lambda ts: share(ts, "rallies"),
        target=">= 97"),
    Row("rallies that never were, % of reported", false_rallies),
    Row("strokes found, %", found_strokes),
    Row("player right, % of strokes found", lambda ts: share(ts, "player_right"), target=">= 99"),
    Row("serves identified, %", lambda ts: share(ts, "serves"), target=">= 97"),
    Row("outcome right, %", lambda ts: share(ts, "outcomes", "right"), target=">= 85"),
    Row("outcome wrong, %", lambda ts: share(ts, "outcomes", "wrong"), target="<= 2"),
    Row("outcome said to be unknown, %", lambda ts: share(ts, "outcomes", "unknown"),
        target="the rest"),
    Row("probability of the outcomes said, mean, %", lambda ts: said_percent(ts, 0)),
    Row("... of them right, %", lambda ts: said_percent(ts, 1)),
    Row("ends foretold, % of whole rallies", foretold_share),
    Row("... within 1.96 sd of the true end, %", foretold_covered),
    Row("speed, median error, %", speed_percent, "{:.2f}", "<= 4"),
    Row("speed within 1.96 sd, %", lambda ts: covered(ts, "speed"), target="92-98"),
    Row("topspin, median error, rev/s", lambda ts: median(np.abs(error(ts, "topspin")))),
    Row("... over max(12 rev/s, 20 %)", topspin_over_limit, "{:.2f}", "<= 1"),
    Row("topspin reported, % of strokes found", lambda ts: reported(ts, "topspin"),
        target=">= 60"),
    Row("topspin within 1.96 sd, %", lambda ts: covered(ts, "topspin"), target="92-98"),
    Row("net clearance, median error, mm", lambda ts: 1e3 * median(np.abs(error(ts, "clearance"))),
        target="<= 15"),
    Row("net clearance within 1.96 sd, %", lambda ts: covered(ts, "clearance")),
)  # fmt: skip


# --- the run -------------------------------------------------------------------------------------
def main() -> None:
    """Make or take the clips, measure them, print and write the table."""
    said = options(__doc__.splitlines()[0], CLIPS).parse_args()
    with kept_in(said.keep) as folder:
        clips, words = clips_for(said, folder)
        sessions = folder / "sessions"
        with ProcessPoolExecutor(said.processes, get_context("spawn")) as pool:
            trials = list(pool.map(partial(try_clip, folder=sessions), clips))
    rng = np.random.default_rng(1)  # of the intervals only
    notes = [f"- clip {i}: {t.failed}" for i, t in enumerate(trials, start=1) if t.failed]
    text = stamped("\n\n".join([pooled_table(trials, rng, ROWS), *notes]), words)
    print("\n" + text)
    if said.write:
        write_part(said.write, text)


if __name__ == "__main__":
    main()
