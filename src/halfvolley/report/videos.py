"""Overlay videos of a session: whole clips or chosen rallies, at their own pace or slower."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from halfvolley.errors import BadInput
from halfvolley.report.language import Language
from halfvolley.report.material import Material, read_material
from halfvolley.session.pipeline import load_clip
from halfvolley.session.schema import Session

BEFORE_S, AFTER_S = 0.8, 1.0  # shown of a rally's surroundings: the toss, and where the ball goes
BLURRED = "-blurred"  # ends the name of a video in which faces are blurred
MOST_NAMED = 8  # rallies in the name of a file
Progress = Callable[[str, float], None]
Shown = tuple[str, list[int], float]  # the clip, numbers of rallies (none: all of it), how slow


def make_videos(
    m: Material, out: Path, *, whole: bool, rallies: Sequence[int], slow: float, tell: Progress
) -> dict[str, Shown]:
    """Write the videos that were asked for.

    Parameters
    ----------
    m : Material
        The session.
    out : Path
        The folder that they go into.
    whole : bool
        Whether all clips are drawn as a whole.
    rallies : sequence of int
        Numbers of rallies as the report counts them; those of one clip go into one video.
    slow : float
        How many times slower than the clip.
    tell : callable
        Told what is being done and which share of it is done.

    Returns
    -------
    dict of str to Shown
        What each file shows.

    Raises
    ------
    BadInput
        If there is no such rally.
    """
    pace = "" if slow == 1.0 else f"-slow{slow:g}"
    veiled = BLURRED if is_blurred(m.records.session) else ""
    videos: dict[str, Shown] = {}
    if whole:
        for clip in m.records.summary.clips:
            name = f"{clip.clip}-overlay{pace}{veiled}.mp4"
            _write(out / name, m, clip.clip, (), slow, tell)
            videos[name] = (clip.clip, [], slow)
    for clip_name, numbers in _by_clip(m, rallies).items():
        name = f"{clip_name}-{_which(numbers)}{pace}{veiled}.mp4"
        _write(out / name, m, clip_name, _spans(m, numbers), slow, tell)
        videos[name] = (clip_name, numbers, slow)
    return videos


def write_rally_video(
    folder: Path | str, clip: str, rally_ids: Sequence[int], *, progress: Progress | None = None
) -> Path:
    """Write rallies of a clip as one video with the flight drawn in.

    Parameters
    ----------
    folder : Path or str
        The session folder.
    clip : str
        Name of the clip.
    rally_ids : sequence of int
        Which rallies of it; they follow each other.
    progress : callable, optional
        Told what is being done and which share of it is done.

    Returns
    -------
    Path
        The video, in report/.

    Raises
    ------
    BadInput
        If the clip has no such rally, or none is named.
    BadSession
        If the clip is not measured as session.toml stands.
    FootageError, StorageError
        If the clip cannot be read or the video not written.
    """
    m = read_material(Path(folder), Language())
    number = {r.rally_id: i for i, r in enumerate(m.records.rallies, 1) if r.clip == clip}
    unknown = [str(rally_id) for rally_id in rally_ids if rally_id not in number]
    if unknown or not rally_ids:
        which = f"rally {', '.join(unknown)}" if unknown else "such rally"
        raise BadInput(f"{clip} has no {which}; measure again and choose another")
    wanted = [number[rally_id] for rally_id in rally_ids]
    out = Path(folder) / "report"
    tell = progress or (lambda text, share: None)
    return out / next(iter(make_videos(m, out, whole=False, rallies=wanted, slow=1.0, tell=tell)))


def write_stroke_video(
    folder: Path | str, clip: str, what: str, strokes: Mapping[int, tuple[float, float]], *,
    progress: Progress | None = None,
) -> Path:  # fmt: skip
    """Write strokes of a practised clip as one video with the flight drawn in.

    Parameters
    ----------
    folder : Path or str
        The session folder.
    clip : str
        Name of the clip.
    what : str
        What they are called in the name of the file: "serve" or "stroke".
    strokes : mapping of int to tuple of float
        By number, first and last touch of its ball [s].
    progress : callable, optional
        Told what is being done and which share of it is done.

    Returns
    -------
    Path
        The video, in report/.

    Raises
    ------
    BadInput
        If none is named.
    BadSession
        If the clip is not measured as session.toml stands.
    FootageError, StorageError
        If the clip cannot be read or the video not written.
    """
    if not strokes:
        raise BadInput(f"choose at least one {what} of {clip} first")
    m = read_material(Path(folder), Language())
    numbers = sorted(strokes)
    veiled = BLURRED if is_blurred(m.records.session) else ""
    path = Path(folder) / "report" / f"{clip}-{_which(numbers, what, f'{what}s')}{veiled}.mp4"
    spans = _surrounded([strokes[number] for number in numbers])
    _write(path, m, clip, spans, 1.0, progress or (lambda text, share: None))
    return path


def is_blurred(session: Session) -> bool:
    """Whether a person has something blurred in what is handed on."""
    return session.report.blur != "no" or any(entry.blur_px for entry in session.clips)


def video_label(video: Shown, say: Language) -> str:
    """What a video shows, in words."""
    clip, numbers, slow = video
    parts = [clip]
    if numbers:
        parts.append(say("rally {numbers}", numbers=", ".join(map(str, numbers))))
    if slow != 1.0:
        parts.append(say("{n} times slower", n=f"{slow:g}"))
    return ", ".join(parts)


def _write(
    path: Path, m: Material, clip: str, spans_s: Sequence[tuple[float, float]], slow: float,
    tell: Progress,
) -> None:  # fmt: skip
    from halfvolley.report.overlay import write_overlay

    text = f"{clip}: drawing the video"
    tell(text, 0.0)
    result = load_clip(m.records.summary.folder, clip)
    write_overlay(
        path, result, spans_s=spans_s, slow=slow, progress=lambda share: tell(text, share)
    )
    tell(text, 1.0)


def _by_clip(m: Material, rallies: Sequence[int]) -> dict[str, list[int]]:
    known = m.records.rallies
    out: dict[str, list[int]] = {}
    for number in sorted(set(rallies)):
        if not 1 <= number <= len(known):
            there = f"there are 1 to {len(known)}" if known else "the session has none"
            raise BadInput(f"no rally {number}; {there}")
        out.setdefault(known[number - 1].clip, []).append(number)
    return out


def _which(numbers: Sequence[int], one: str = "rally", several: str = "rallies") -> str:
    """Rallies as part of a file's name, which must not grow without end."""
    if len(numbers) <= MOST_NAMED:
        return f"{one}-{'-'.join(map(str, numbers))}"
    return f"{several}-{numbers[0]}-to-{numbers[-1]}-{len(numbers)}-of-them"


def _spans(m: Material, numbers: Sequence[int]) -> list[tuple[float, float]]:
    """What is shown of some rallies of one clip."""
    touched: list[tuple[float, float]] = []
    for number in numbers:
        rally = m.records.rallies[number - 1]
        clip = next(c for c in m.records.summary.clips if c.clip == rally.clip)
        times = [c.t_s for c in clip.contacts if c.rally_id == rally.rally_id]
        touched.append((min(times), max(times)))
    return _surrounded(touched)


def _surrounded(touched: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """First and last touches with their surroundings; those that overlap are shown as one."""
    spans: list[tuple[float, float]] = []
    for first, last in touched:
        start, end = first - BEFORE_S, last + AFTER_S
        if spans and start <= spans[-1][1]:
            start = spans.pop()[0]
        spans.append((start, end))
    return spans
