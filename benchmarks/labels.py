"""Are harvested labels true, how many are left to a person, and how much do they cover?

    python benchmarks/labels.py FOLDER --keep SESSIONS        clips NAME.mp4 with NAME.json beside
    python benchmarks/labels.py FOLDER --keep SESSIONS --drop 0.4        a finder that misses more

A label of a ball is wrong if no ball's centre lies within one radius of it, or that ball does not
show (at most 0.3 of it visible, or a change below 10 of 255). A negative is wrong if it touches any
ball of which a tenth shows: in play, in a hand, dead or of another table. Coverage is the share of
frames that show the ball in flight (half visible, change at least 10) with an accepted label of it.

With `--drop` that share of all candidates is taken away at random before linking, so that flights
have gaps and recovered positives are put to the test. Sessions are kept as they were measured;
after a change of the program's earlier stages delete them.
"""

import argparse
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from pages import command, stamped, table, write_part
from scoring import FORMAT, SEEN_CONTRAST, SEEN_SHARE, Floats, read_truth

from halfvolley import find_flights, find_play, find_tracks, load_clip, measure, new_session
from halfvolley.errors import HalfvolleyError
from halfvolley.learn.harvest import harvest
from halfvolley.session.labels import frames_at
from halfvolley.session.pipeline import ClipResult
from halfvolley.session.stages import environment, shutter
from halfvolley.types import Label

DRAWS = 1000
KINDS = ("positive", "recovered", "negative")


@dataclass(frozen=True, slots=True)
class Outcome:
    """Labels of one clip held against its truth."""

    clip: str
    view: str
    count: Counter[tuple[str, str, bool]]  # (kind, decision, true)
    off_px: Floats  # of accepted true balls
    off_radii: Floats
    shown: int  # frames that show the ball in flight
    covered: int  # of them, with an accepted label

    def n(self, kinds: tuple[str, ...], decision: str, true: bool | None = None) -> int:
        """Labels of some kinds."""
        return sum(
            count
            for (kind, said, good), count in self.count.items()
            if kind in kinds and said == decision and true in (None, good)
        )


def balls_of(frame: dict[str, Any]) -> list[dict[str, Any]]:
    """Every ball of a frame of a truth file."""
    return ([frame["ball"]] if frame["ball"] else []) + frame.get("other_balls", [])


def off(label: Label, ball: dict[str, Any]) -> float:
    """Distance of centres [px]."""
    assert label.uv_px is not None
    return float(np.hypot(label.uv_px[0] - ball["u"], label.uv_px[1] - ball["v"]))


def shows(ball: dict[str, Any]) -> bool:
    """Whether a ball can be seen; of others less is told."""
    contrast = ball.get("contrast", np.inf)
    return bool(ball.get("visible", 1.0) > SEEN_SHARE and contrast >= SEEN_CONTRAST)


def is_true(label: Label, frame: dict[str, Any]) -> bool:
    """Whether what a label says is so."""
    if label.kind == "negative":
        assert label.radius_px is not None
        return not any(
            ball.get("visible", 1.0) > 0.1
            and off(label, ball) < ball["radius_px"] + label.radius_px + ball.get("blur_px", 0) / 2
            for ball in balls_of(frame)
        )
    return any(shows(b) and off(label, b) <= b["radius_px"] for b in balls_of(frame))


def result_of(clip: Path, keep: Path) -> ClipResult:
    """The clip measured in a session of its own, which is kept."""
    session = keep / clip.stem
    if not (session / "session.toml").exists():
        new_session(session, [clip])
    measure(session)
    return load_clip(session)


def thinned(result: ClipResult, drop: float, rng: np.random.Generator) -> ClipResult:
    """The same clip with a share of its candidates missed."""
    d = result.scan.detections
    kept = d.take(np.flatnonzero(rng.random(len(d)) >= drop))
    info = result.recording.info
    camera = replace(result.scan.camera, shutter=shutter(result.entry, info))
    tracks = find_tracks(kept, info.size_px[0])
    flights = find_flights(tracks, camera, environment=environment(result.session))
    return replace(result, flights=flights, play=find_play(flights))


def judge(clip: Path, keep: Path, drop: float, rng: np.random.Generator) -> Outcome:
    """Harvest a clip and hold every label against the truth."""
    truth = read_truth(clip.with_suffix(".json"))
    result = result_of(clip, keep)
    if drop > 0.0:
        result = thinned(result, drop, rng)
    found = harvest(
        clip.stem, result.recording.info, result.scan.camera, result.flights, result.play,
        environment(result.session), when_s=0.0,
        read=lambda frames: frames_at(result.recording, frames),
    )  # fmt: skip
    frames = truth.document["frames"]
    count: Counter[tuple[str, str, bool]] = Counter()
    off_px, off_radii, covered = [], [], set()
    for label in found.labels:
        frame = frames[label.frame]
        good = is_true(label, frame)
        count[label.kind, label.decision, good] += 1
        if good and label.is_ball and label.decision == "accepted":
            nearest = min(balls_of(frame), key=lambda b: off(label, b))
            off_px.append(off(label, nearest))
            off_radii.append(off(label, nearest) / nearest["radius_px"])
            covered.add(label.frame)
    shown = {
        f["i"] for f in frames
        if f["ball"] and f["ball"]["state"] == "flight" and f["ball"]["visible"] >= 0.5
        and f["ball"]["contrast"] >= SEEN_CONTRAST
    }  # fmt: skip
    return Outcome(
        clip.stem, truth.kind, count, np.array(off_px), np.array(off_radii), len(shown),
        len(shown & covered),
    )  # fmt: skip


# --- numbers -------------------------------------------------------------------------------------
def share(part: float, whole: float) -> float:
    """Percent; NaN where there is nothing."""
    return 100.0 * part / whole if whole else np.nan


def wrong(outcomes: list[Outcome], kinds: tuple[str, ...]) -> float:
    """Percent of accepted labels that are not true."""
    bad = sum(o.n(kinds, "accepted", False) for o in outcomes)
    return share(bad, sum(o.n(kinds, "accepted") for o in outcomes))


def reviewed(outcomes: list[Outcome], kinds: tuple[str, ...]) -> float:
    """Percent of labels sent to review."""
    waiting = sum(o.n(kinds, "open") for o in outcomes)
    return share(waiting, waiting + sum(o.n(kinds, "accepted") for o in outcomes))


def interval(outcomes: list[Outcome], what, rng: np.random.Generator) -> str:  # type: ignore[no-untyped-def]
    """A number with its 95 % interval, from drawing whole clips again."""
    draws = [
        what([outcomes[i] for i in rng.integers(len(outcomes), size=len(outcomes))])
        for _ in range(DRAWS)
    ]
    low, high = np.nanquantile(draws, [0.025, 0.975])
    return f"{what(outcomes):.2f} ({low:.2f}-{high:.2f})"


def true_open(outcomes: list[Outcome]) -> float:
    """Percent of what is sent to review that is true."""
    true = sum(o.n(KINDS, "open", True) for o in outcomes)
    return share(true, sum(o.n(KINDS, "open") for o in outcomes))


def coverage(outcomes: list[Outcome]) -> float:
    """Percent of frames with the ball in flight that got an accepted label."""
    return share(sum(o.covered for o in outcomes), sum(o.shown for o in outcomes))


def accepted(outcome: Outcome, kind: str) -> str:
    """How many, and in brackets how many are wrong."""
    return f"{outcome.n((kind,), 'accepted')} ({outcome.n((kind,), 'accepted', False)})"


def summary(outcomes: list[Outcome], rng: np.random.Generator) -> str:
    """Both tables."""
    balls = ("positive", "recovered")
    px = np.concatenate([o.off_px for o in outcomes])
    radii = np.concatenate([o.off_radii for o in outcomes])
    rows = [
        ["wrong among accepted, all kinds, %", "<= 0.5",
         interval(outcomes, lambda o: wrong(o, KINDS), rng)],
        ["wrong among accepted balls, %", "<= 0.5",
         interval(outcomes, lambda o: wrong(o, balls), rng)],
        ["sent to review, all kinds, %", "<= 5",
         interval(outcomes, lambda o: reviewed(o, KINDS), rng)],
        ["sent to review, balls, %", "<= 5",
         interval(outcomes, lambda o: reviewed(o, balls), rng)],
        ["of those, true, %", "", f"{true_open(outcomes):.0f}"],
        ["frames with the ball in flight that got a label, %", "",
         interval(outcomes, coverage, rng)],
        ["position error, median, px", "", f"{np.median(px):.2f}"],
        ["position error, 95th percentile, px", "", f"{np.quantile(px, 0.95):.2f}"],
        ["position error, 95th percentile, radii", "", f"{np.quantile(radii, 0.95):.2f}"],
    ]  # fmt: skip
    for kind in KINDS:
        n = sum(o.n((kind,), "accepted") for o in outcomes)
        bad = sum(o.n((kind,), "accepted", False) for o in outcomes)
        rows.append([f"{kind}: accepted, of them wrong", "", f"{n}, {bad}"])
    head = ["", "target", f"{len(outcomes)} clips"]
    each = [
        [str(i), o.view, *(accepted(o, kind) for kind in KINDS), str(o.n(KINDS, "open")),
         f"{coverage([o]):.0f}"]
        for i, o in enumerate(outcomes, start=1)
    ]  # fmt: skip
    heads = ["clip", "view", *(f"{k} (wrong)" for k in KINDS), "review", "covered %"]
    return table(head, rows) + "\n\n" + table(heads, each)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--keep", type=Path, required=True, help="where sessions are kept")
    parser.add_argument("--drop", type=float, default=0.0, help="share of candidates taken away")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only-measured", action="store_true", help="clips with a session")
    parser.add_argument("--write", action="store_true", help="into docs/benchmarks.md")
    said = parser.parse_args()
    rng = np.random.default_rng(said.seed)
    outcomes = []
    for path in sorted(said.folder.glob("*.json")):
        clip = path.with_suffix(".mp4")
        if FORMAT not in path.read_text(encoding="utf-8")[:200] or not clip.exists():
            continue
        if said.only_measured and not (said.keep / clip.stem / "tables" / "manifest.json").exists():
            continue
        try:
            outcomes.append(judge(clip, said.keep, said.drop, rng))
        except HalfvolleyError as error:
            print(f"{clip.stem}: {error}", flush=True)
            continue
        print(outcomes[-1].clip, dict(outcomes[-1].count), flush=True)
    text = summary(outcomes, rng)
    print(text)
    if said.write:
        name = "labels" if said.drop == 0.0 else "labels thinned"
        write_part(name, stamped(text, command((said.folder, said.keep))))


if __name__ == "__main__":
    main()
