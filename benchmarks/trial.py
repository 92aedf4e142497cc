"""One clip with a truth file, measured as a stranger would, beside both plain methods."""

import hashlib
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from bound import Noise, bound_m, noise_of
from plain import PlainBounces, nearest_frame_bounces, plain_bounces
from scoring import (
    SEEN_SHARE,
    Floats,
    Lens,
    Matched,
    Score,
    Truth,
    camera_off_px,
    match_bounces,
    read_claims,
    read_truth,
    score,
)

import halfvolley
from halfvolley import load_clip, measure, new_session, read_session
from halfvolley.errors import HalfvolleyError
from halfvolley.flight.settings import FlightSettings
from halfvolley.session import stages
from halfvolley.session.edit import set_clip
from halfvolley.session.pipeline import ClipResult
from halfvolley.types import Camera

NEAR_S = 0.1  # before and after a bounce that was missed
WRONG_PX = 20.0  # a corner further off than this belongs to something else
LOST = ("no camera", "ball not detected", "not on a flight", "no bounce there")


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """What came out of one clip."""

    truth: Truth
    failed: str  # why nothing was measured; "" where something was
    took_s: float  # of the first measurement
    auto: Score | None  # nothing given
    given: Score | None  # readout and exposure given
    bound_m: Floats  # (n,) of the bounces that must be found; NaN where not known
    noise: Noise | None
    detected: float  # share of the frames that show the ball in flight with a detection on it
    lost: tuple[str, ...]  # for each missed bounce one of LOST
    plain: Matched  # colour threshold, largest blob, turn of the motion, homography
    nearest: Matched | None  # detections of this project, nearest frame, homography


def try_clip(clip: Path, folder: Path, give: bool = False) -> Trial:
    """Measure a clip and hold it against its truth.

    Parameters
    ----------
    clip : Path
        Beside it lies its truth, with the suffix .json.
    folder : Path
        Where sessions are kept.
    give : bool
        Give readout and exposure also in the main measurement.
    """
    truth = read_truth(clip.with_suffix(".json"))
    plain = claimed(plain_bounces(clip, truth.corners_px), truth)
    session = folder / f"{clip.stem}-{source_key()}"
    if not (session / "session.toml").exists():
        new_session(session, [clip])
    name = read_session(session).clips[0].name
    nothing = np.full(len(truth.must_t_s), np.nan)
    started = time.perf_counter()
    try:
        if give:
            give_shutter(session, name, truth)
        measure(session)
        took_s = time.perf_counter() - started
        auto = score(truth, read_claims(session, name))
        result = load_clip(session, name)
        nearest = claimed(nearest_frame_bounces(result_tracks(result), truth.corners_px), truth)
        noise = noise_of(truth, result.flights)
        bound = nothing if noise is None else true_bound(truth, noise, result)
        lost = tuple(where_lost(truth, result, i) for i in missed(auto.bounces))
        detected = detected_share(truth, result)
        given = auto
        if not give:
            give_shutter(session, name, truth)
            measure(session)
            given = score(truth, read_claims(session, name))
            # taken back, so that another run finds the session as a stranger makes it
            set_clip(read_session(session), name, readout_s=None, exposure_s=None)
    except Exception as error:  # also a crash is an outcome
        return Trial(
            truth,
            in_words(error),
            time.perf_counter() - started,
            None,
            None,
            nothing,
            None,
            0.0,
            (LOST[0],) * len(truth.must_t_s),
            plain,
            None,
        )
    return Trial(truth, "", took_s, auto, given, bound, noise, detected, lost, plain, nearest)


def source_key() -> str:
    """Changes with any line of the package: what other code measured is not used again."""
    whole = hashlib.sha256()
    for path in sorted(Path(halfvolley.__file__).parent.rglob("*.py")):
        whole.update(path.read_bytes())
    return whole.hexdigest()[:10]


def in_words(error: Exception) -> str:
    """A refusal as it is said; a crash with its place."""
    if isinstance(error, HalfvolleyError):
        return str(error)
    at = traceback.extract_tb(error.__traceback__)[-1]
    return f"crash: {type(error).__name__}: {error} ({Path(at.filename).name}:{at.lineno})"


def claimed(found: PlainBounces, truth: Truth) -> Matched:
    """A plain method was given the true corners, so its ends are never confused."""
    return match_bounces(found.t_s, found.xy_m, truth, may_turn=False)


def give_shutter(session: Path, clip: str, truth: Truth) -> None:
    """What a person would have looked up."""
    said = read_session(session)
    set_clip(said, clip, readout_s=truth.readout_s, exposure_s=truth.exposure_s)


def result_tracks(result: ClipResult):  # type: ignore[no-untyped-def]
    """Detections linked to smooth pieces: kinder to the rival than all detections."""
    from halfvolley import find_tracks

    return find_tracks(result.scan.detections, result.recording.info.size_px[0])


def true_bound(truth: Truth, noise: Noise, result: ClipResult) -> Floats:
    """The bound with what this clip's estimator started from."""
    prior = stages.shutter(result.entry, result.recording.info)
    return bound_m(truth, noise, result.scan.camera.camera, prior, FlightSettings())


# --- where a bounce was lost ---------------------------------------------------------------------
def missed(m: Matched) -> list[int]:
    """Which of the bounces asked for were not found."""
    return [i for i in range(m.n_must) if i not in set(m.must)]


def on_ball(
    truth: Truth, result: ClipResult, near: Callable[[float], bool]
) -> tuple[int, int, int]:
    """Frames that show the ball in flight, those detected, those on a reported flight."""
    d = result.scan.detections
    by_frame: dict[int, list[int]] = {}
    for row, frame in enumerate(d.frame):
        by_frame.setdefault(int(frame), []).append(row)
    flown = result.flights.detections
    on_arc = {int(flown.frame[row]) for arc in result.flights.arcs for row in arc.rows}
    shown = detected = flying = 0
    for f in truth.document["frames"]:
        b = f["ball"]
        if not b or b["state"] != "flight" or b["visible"] <= SEEN_SHARE or not near(b["pts_t"]):
            continue
        reach = 3.0 + 0.3 * b["blur_px"]
        rows = by_frame.get(f["i"], [])
        hit = any(np.hypot(*(d.uv_px[r] - [b["u"], b["v"]])) < reach for r in rows)
        shown += 1
        detected += hit
        flying += hit and f["i"] in on_arc
    return shown, detected, flying


def detected_share(truth: Truth, result: ClipResult) -> float:
    """Share of frames in play that show the ball and have a detection on it."""
    play = [
        (e0["pts_t"], e1["pts_t"])
        for e0, e1 in zip(truth.document["events"], truth.document["events"][1:], strict=False)
        if e0.get("rally") == e1.get("rally") and e0["type"] in ("racket", "table", "net")
    ]
    shown, detected, _ = on_ball(truth, result, lambda t: any(a < t < b for a, b in play))
    return detected / max(1, shown)


def where_lost(truth: Truth, result: ClipResult, i: int) -> str:
    """The first stage that lost a bounce."""
    at = truth.must_t_s[i]
    known = result.scan.camera.usable_s
    wrong = np.max(camera_off_px(truth, lens_of(result.scan.camera.camera))[:4]) > WRONG_PX
    if wrong or not np.any((known[:, 0] <= at) & (at <= known[:, 1])):
        return LOST[0]
    shown, detected, flying = on_ball(truth, result, lambda t: abs(t - at) < NEAR_S)
    if detected < 0.5 * shown:
        return LOST[1]
    return LOST[2] if flying < 0.5 * detected else LOST[3]


def lens_of(camera: Camera) -> Lens:
    """A camera of the package, for the scoring's own projection."""
    return Lens(camera.K, camera.k, camera.R, camera.t_m)
