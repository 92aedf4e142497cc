"""What each stage does with one clip: the wiring between the rooms.

Rooms are imported when a stage runs, so that finding out that nothing is stale costs nothing.
"""

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, cast

from halfvolley.errors import NoCamera, Unknown
from halfvolley.session.recording import (
    Recording,
    RecordingFrames,
    frames_near,
    probe_recording,
)
from halfvolley.session.schema import ClipEntry, Session
from halfvolley.types import (
    ClipCamera,
    ClipInfo,
    Detections,
    Flights,
    Frame,
    Play,
    Shutter,
    Side,
    Tracks,
    concatenate,
)

if TYPE_CHECKING:
    from halfvolley.ball import Loaded, RestingBall
    from halfvolley.camera import Calibration, MarksCheck
    from halfvolley.flight import Drops
    from halfvolley.match import TouchWord
    from halfvolley.physics import Environment

Run = Callable[..., Any]
Tell = Callable[[float], None]  # told the share of the work that is done
PICTURES_FOR_CALIBRATION = 12  # spread over the clip, so that players do not hide the same lines
ENOUGH_PICTURES = 5
AHEAD_BYTES = 75_000_000  # of frames decoded while others are looked at,
FEWEST_AHEAD, MOST_AHEAD = 6, 24  # and how many they are

# what a shutter can be where nobody said: phones and cameras read out in 5-30 ms, and within the
# time from one frame to the next
ASSUMED_READOUT_S, ASSUMED_READOUT_SD_S, READOUT_SD_SHARE = 0.012, 0.008, 0.3
ASSUMED_EXPOSURE_S, ASSUMED_EXPOSURE_SD_S = 0.004, 0.004
GIVEN_SD_SHARE = 0.02  # a figure that a person looked up is good to this


@dataclass(frozen=True, slots=True, eq=False)
class Scan:
    """What one pass over all frames gives."""

    detections: Detections
    camera: ClipCamera
    warnings: tuple[str, ...]
    resting: "tuple[RestingBall | Unknown, ...]" = ()  # on each mark, in a clip of that kind
    ran: str = ""  # what found the ball, on which device and how fast


def probe(session: Session, entry: ClipEntry, tell: Tell) -> Recording:
    """Facts of the files."""
    del session, tell
    return probe_recording(entry.files)


def camera(session: Session, entry: ClipEntry, tell: Tell, recording: Recording) -> "Calibration":
    """The camera, from the table in some pictures of the clip."""
    from halfvolley.camera import calibrate

    del session, tell
    pictures = _pictures(recording)
    try:
        return calibrate(
            pictures, corners_px=entry.corners_px, end_a=_end_a(entry), table=entry.table
        )
    except NoCamera as error:
        raise NoCamera(f"{entry.name}: {error}") from error


def scan(
    session: Session, entry: ClipEntry, tell: Tell, recording: Recording, found: "Calibration"
) -> Scan:
    """Possible balls and the camera through time: one pass over all frames."""
    import numpy as np

    from halfvolley.camera import LineWatcher
    from halfvolley.session.detector import make_finder
    from halfvolley.session.radius import radius_map
    from halfvolley.video import prefetch

    if entry.kind == "marks":
        return _scan_marks(session, entry, tell, recording, found)
    info = recording.info
    ahead = frames_ahead(info)
    made = make_finder(
        session.ball.detector,
        info,
        masks=[np.array(polygon) for polygon in entry.masks_px],
        expected_radius=radius_map(found.camera, session.ball.radius_m),
        waiting=ahead + 1,
    )
    finder = made.finder
    watcher = LineWatcher(found.camera)
    frames = RecordingFrames(recording)

    def made_ready() -> "Iterator[Loaded]":
        for frame in frames:
            watcher.feed(frame)
            yield finder.load(frame)

    # one thread decodes, loads and watches while this one searches: both have as much to do
    parts = []
    started, n = time.monotonic(), 0
    for loaded in prefetch(made_ready(), ahead):
        n += 1
        parts.append(finder.search(loaded))
        if loaded.index % 16 == 0:
            tell(loaded.index / len(info.pts_s))
    parts.append(finder.finish())
    warnings = (*frames.warnings, *made.warnings)
    rate = n / max(time.monotonic() - started, 1e-9)
    ran = f"{made.name} on {made.device}, {rate:.0f} frames a second with decoding"
    return Scan(concatenate(parts), watcher.finish(shutter(entry, info)), warnings, ran=ran)


def frames_ahead(info: ClipInfo) -> int:
    """Frames of a clip that may wait: what one takes longer another makes up for."""
    width, height = info.size_px
    return min(max(FEWEST_AHEAD, AHEAD_BYTES // (3 * width * height // 2)), MOST_AHEAD)


def _scan_marks(
    session: Session, entry: ClipEntry, tell: Tell, recording: Recording, found: "Calibration"
) -> Scan:
    """The ball at rest on the marks, and the camera through time."""
    from halfvolley.ball import RestFinder
    from halfvolley.camera import LineWatcher, marks_m, project
    from halfvolley.video import prefetch

    info, radius_m = recording.info, session.ball.radius_m
    places = marks_m(radius_m)
    depth = places @ found.camera.R[2] + found.camera.t_m[2]
    finder = RestFinder(info, project(found.camera, places), found.camera.f_px * radius_m / depth)
    watcher = LineWatcher(found.camera)
    frames = RecordingFrames(recording)
    for frame in prefetch(frames, frames_ahead(info)):
        watcher.feed(frame)
        finder.feed(frame)
        if frame.index % 16 == 0:
            tell(frame.index / len(info.pts_s))
    clip_camera = watcher.finish(shutter(entry, info))
    return Scan(Detections.empty(), clip_camera, frames.warnings, finder.finish())


def marks(session: Session, entry: ClipEntry, tell: Tell, seen: Scan) -> "MarksCheck | Unknown":
    """The camera against the marks on which a ball was laid."""
    from halfvolley.camera import compare_marks

    del entry, tell
    sightings = [
        ball if isinstance(ball, Unknown) else (0.5 * (ball.t0_s + ball.t1_s), ball.uv_px,
                                                ball.cov_uv_px2)
        for ball in seen.resting
    ]  # fmt: skip
    return compare_marks(seen.camera, sightings, radius_m=session.ball.radius_m)


def track(
    session: Session, entry: ClipEntry, tell: Tell, recording: Recording, seen: Scan
) -> Tracks:
    """Smooth pieces of image motion."""
    from halfvolley.track import find_tracks

    del session, entry, tell
    return find_tracks(seen.detections, recording.info.size_px[0])


def flight(
    session: Session,
    entry: ClipEntry,
    tell: Tell,
    recording: Recording,
    seen: Scan,
    tracks: Tracks,
) -> Flights:
    """Arcs and contacts in metres."""
    from halfvolley.flight import find_flights

    del tell
    if entry.kind == "marks":  # hands move the ball; nothing of it is play
        return Flights((), (), seen.detections, shutter(entry, recording.info), ())
    clip_camera = replace(seen.camera, shutter=shutter(entry, recording.info))
    return find_flights(tracks, clip_camera, environment=environment(session))


def drops(
    session: Session, entry: ClipEntry, tell: Tell, seen: Scan, flights: Flights
) -> "Drops | Unknown":
    """Restitution and gravity from dropped balls."""
    from halfvolley.flight import find_drops

    del entry, tell
    return find_drops(flights, seen.camera, environment=environment(session))


def match(
    session: Session,
    entry: ClipEntry,
    tell: Tell,
    recording: Recording,
    seen: Scan,
    flights: Flights,
) -> Play:
    """Rallies and strokes."""
    from halfvolley.match import View, find_feed, find_play

    del tell
    words = touch_words(session, entry.name)
    if entry.kind == "feed":
        return find_feed(flights, words=words)
    view = View(seen.camera, float(recording.info.pts_s[-1]))
    return find_play(flights, words=words, view=view, environment=environment(session))


def touch_words(session: Session, clip: str) -> "tuple[TouchWord, ...]":
    """What a person says of single touches of a clip."""
    from halfvolley.match import TouchWord

    return tuple(
        TouchWord(said.t_s, said.was == "none", cast(Side, said.player) if said.player else None)
        for said in session.touches
        if said.clip == clip
    )


def shutter(entry: ClipEntry, info: ClipInfo) -> Shutter:
    """Readout and exposure as given, else what they can be."""
    interval = info.frame_interval_s
    readout = entry.readout_s
    exposure = entry.exposure_s
    return Shutter(
        readout_s=min(ASSUMED_READOUT_S, 0.7 * interval) if readout is None else readout,
        readout_sd_s=(
            min(ASSUMED_READOUT_SD_S, READOUT_SD_SHARE * interval)
            if readout is None
            else GIVEN_SD_SHARE * readout
        ),
        exposure_s=min(ASSUMED_EXPOSURE_S, 0.5 * interval) if exposure is None else exposure,
        exposure_sd_s=ASSUMED_EXPOSURE_SD_S if exposure is None else GIVEN_SD_SHARE * exposure,
        source="assumed" if readout is None or exposure is None else "given",
    )


def environment(session: Session) -> "Environment":
    """Air and ball of the hall, as a person said."""
    from halfvolley.physics import Air, Ball, Environment, air_at_altitude

    said = session.air
    pressure_Pa = (
        air_at_altitude(said.altitude_m).pressure_Pa
        if said.pressure_hPa is None
        else 100.0 * said.pressure_hPa
    )
    air = Air(said.temperature_C + 273.15, pressure_Pa, said.humidity_percent / 100.0)
    return Environment(ball=Ball(radius_m=session.ball.radius_m), air=air)


def _end_a(entry: ClipEntry) -> str | None:
    return None if entry.end_a == "auto" else entry.end_a


def _pictures(recording: Recording) -> list[Frame]:
    """Pictures spread over a recording, the first one first.

    Pictures that are coded alone are found by seeking and cost next to nothing; a clip that has
    only a few of them is decoded from the nearest one on.
    """
    kept = frames_near(recording, PICTURES_FOR_CALIBRATION, keyframes_only=True)
    if len(kept) < ENOUGH_PICTURES:
        kept = frames_near(recording, ENOUGH_PICTURES, keyframes_only=False)
    return kept
