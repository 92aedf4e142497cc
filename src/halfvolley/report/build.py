"""report/: maps, pictures, the page, and on demand the overlay video of a session."""

import json
from collections.abc import Callable
from pathlib import Path

from halfvolley.errors import BadInput, FootageError
from halfvolley.report.checks import read_checks
from halfvolley.report.court import map_png, map_svg
from halfvolley.report.page import page_html
from halfvolley.session.files import write_atomic
from halfvolley.session.pipeline import load_clip
from halfvolley.session.read import Summary, read_summary
from halfvolley.session.schema import read_session
from halfvolley.types import ByteImage

PAGE, STAMP = "report.html", "report.json"
LAYOUT = 1  # raise when the report looks different, so that old ones are made again
PICTURE_WIDTH_PX = 1280  # wide enough to judge half a pixel on the lines, small enough to mail
BEFORE_RALLY_S, AFTER_RALLY_S = 0.8, 1.0  # shown around a rally
Progress = Callable[[str, float], None]


def write_report(
    folder: Path | str, *, video: bool = False, progress: Progress | None = None
) -> Path:
    """Write the report of a session's newest result; what is up to date is left.

    Parameters
    ----------
    folder : Path or str
        The session folder.
    video : bool
        Whether the overlay videos are made too; they take about as long as the clips.
    progress : callable, optional
        Told what is being done and which share of it is done.

    Returns
    -------
    Path
        The HTML page.

    Raises
    ------
    BadSession
        If it is no session, or has no complete result.
    StorageError
        If it could not be written.
    """
    say = progress or (lambda text, share: None)
    session = read_session(folder)
    summary = read_summary(folder)
    out = summary.folder / "report"
    videos = _videos_of(out, summary)
    if video:
        for clip in summary.clips:
            if clip.clip not in videos:
                videos[clip.clip] = _write_video(summary.folder, clip.clip, say)
    if not video and is_current(summary):
        return out / PAGE
    maps: dict[str, str] = {}
    pictures: dict[str, bytes] = {}
    for clip in summary.clips:
        say(f"{clip.clip}: drawing", 0.0)
        maps[clip.clip] = map_svg(clip)
        write_atomic(out / f"{clip.clip}-map.svg", maps[clip.clip])
        write_atomic(out / f"{clip.clip}-map.png", map_png(clip))
        picture = _camera_picture(summary.folder, clip.clip)
        if picture is not None:
            from halfvolley.report.picture import encode_jpeg, write_picture

            write_picture(out / f"{clip.clip}-camera.png", picture)
            pictures[clip.clip] = encode_jpeg(picture, PICTURE_WIDTH_PX)
        say(f"{clip.clip}: drawing", 1.0)
    checks = read_checks(summary.folder)
    page = page_html(summary, maps, pictures, videos, session.venue, checks)
    write_atomic(out / PAGE, page)
    stamp = {"run": summary.run, "layout": LAYOUT, "videos": videos}
    write_atomic(out / STAMP, json.dumps(stamp, indent=1))
    return out / PAGE


def is_current(summary: Summary) -> bool:
    """Whether the report shows this result."""
    stamp = _stamp(summary.folder / "report")
    return stamp.get("run") == summary.run and stamp.get("layout") == LAYOUT


def _stamp(out: Path) -> dict[str, object]:
    try:
        stamp = json.loads((out / STAMP).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return stamp if isinstance(stamp, dict) else {}


def _videos_of(out: Path, summary: Summary) -> dict[str, str]:
    """Overlay videos of this very result."""
    stamp = _stamp(out)
    videos = stamp.get("videos")
    if stamp.get("run") != summary.run or not isinstance(videos, dict):
        return {}
    return {clip: name for clip, name in videos.items() if (out / name).is_file()}


def _write_video(folder: Path, name: str, say: Progress) -> str:
    from halfvolley.report.overlay import write_overlay

    path = folder / "report" / f"{name}-overlay.mp4"
    text = f"{name}: drawing the video"
    say(text, 0.0)
    write_overlay(path, load_clip(folder, name), progress=lambda share: say(text, share))
    say(text, 1.0)
    return path.name


def write_rally_video(
    folder: Path | str, name: str, rally_id: int, *, progress: Progress | None = None
) -> Path:
    """Write one rally of a clip as a video with the flight drawn in.

    Parameters
    ----------
    folder : Path or str
        The session folder.
    name : str
        The clip.
    rally_id : int
        Which rally of it.
    progress : callable, optional
        Told what is being done and which share of it is done.

    Returns
    -------
    Path
        The video, in report/.

    Raises
    ------
    BadInput
        If the clip has no such rally.
    BadSession
        If the clip is not measured as session.toml stands.
    FootageError, StorageError
        If the clip cannot be read or the video not written.
    """
    from halfvolley.report.overlay import write_overlay

    say = progress or (lambda text, share: None)
    result = load_clip(folder, name)
    touched_s = [p.contact.t_s for p in result.play.contacts if p.rally_id == rally_id]
    if not touched_s:
        raise BadInput(f"{name} has no rally {rally_id}; measure again and choose another")
    path = result.session.folder / "report" / f"{name}-rally-{rally_id}.mp4"
    span_s = (min(touched_s) - BEFORE_RALLY_S, max(touched_s) + AFTER_RALLY_S)
    text = f"{name}: drawing rally {rally_id}"
    write_overlay(path, result, span_s=span_s, progress=lambda share: say(text, share))
    return path


def _camera_picture(folder: Path, name: str) -> ByteImage | None:
    """The first frame with the table's model; None where the file is gone by now."""
    from halfvolley.report.picture import draw_model, first_picture

    result = load_clip(folder, name)
    try:
        picture = first_picture(result.recording.info)
    except FootageError:
        return None
    camera = result.scan.camera
    words = f"fits to {camera.residual_px:.2f} px, {camera.residual_mm:.1f} mm on the table"
    return draw_model(picture, camera.camera, words)
