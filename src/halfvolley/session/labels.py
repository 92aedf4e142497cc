"""The labels of a session: harvest, exchange, check, undo; the wiring between folder and learn.

labels.sqlite lies in the session folder and is precious: it changes only when a person runs one of
these. Whatever reads it needs no lock; whatever writes is one transaction.
"""

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from halfvolley.errors import BadInput, BadSession, HalfvolleyError
from halfvolley.session.files import folder_atomic, only_writer, storing
from halfvolley.session.schema import ClipEntry, Session, read_session
from halfvolley.types import ByteImage, Frame, Label, LabelSet

if TYPE_CHECKING:
    from halfvolley.learn.boxes import ClipFacts
    from halfvolley.learn.check import Finding
    from halfvolley.learn.exchange import Exported, Format, Imported, PictureFormat
    from halfvolley.learn.queue import Queued
    from halfvolley.learn.split import Split, SplitBy
    from halfvolley.learn.store import LabelStore, Merged, Step
    from halfvolley.session.pipeline import ClipResult
    from halfvolley.session.recording import Recording

Progress = Callable[[str, float], None]
SEEK_FRAMES = 60  # frames further apart than this are sought rather than read through
SPLIT_SEED = 1  # the same labels are split the same way each time


@dataclass(frozen=True, slots=True)
class HarvestedClip:
    """What harvesting did to the labels of one clip."""

    clip: str
    merged: "Merged"
    accepted: int
    open: int
    hidden: int  # places on good flights where the ball does not show
    doubted: int  # flights that were no good witnesses


@dataclass(frozen=True, slots=True)
class HarvestedSession:
    """What harvesting did to a session."""

    clips: tuple[HarvestedClip, ...]
    not_harvested: tuple[tuple[str, str], ...]  # (clip, why)


def labels_path(folder: Path | str) -> Path:
    """Where the labels of a session lie."""
    from halfvolley.learn.store import FILE_NAME

    return Path(folder) / FILE_NAME


def open_labels(folder: Path | str, *, make: bool = False) -> "LabelStore":
    """The label store of a session, for pages that record decisions.

    Raises
    ------
    BadSession
        If the session has no labels and `make` is not set, or the file cannot be used.
    StorageError
        If it cannot be opened.
    """
    from halfvolley.learn.store import LabelStore

    return LabelStore(labels_path(folder), make=make)


def read_labels(folder: Path | str) -> LabelSet:
    """All labels of a session as they stand.

    Parameters
    ----------
    folder : Path or str
        The session folder.

    Returns
    -------
    LabelSet
        Also open and rejected ones; `usable` are those for training.

    Raises
    ------
    BadSession
        If there is no session or it has no labels.
    """
    session = read_session(folder)
    with open_labels(session.folder) as store:
        labels = store.labels()
    return LabelSet(str(session.folder), session.venue, labels)


def harvest_labels(
    folder: Path | str, clips: Sequence[str] = (), *, progress: Progress | None = None
) -> HarvestedSession:
    """Propose labels from what was measured; what a person decided stays as it is.

    Parameters
    ----------
    folder : Path or str
        The session folder, measured.
    clips : sequence of str
        Which; all clips of play where it is left out.
    progress : callable, optional
        Told what is being done and which share of it is done.

    Returns
    -------
    HarvestedSession
        What changed. Clips that are not measured are named with the reason.

    Raises
    ------
    BadSession
        If no clip is measured, or the labels cannot be used.
    StorageError
        If labels cannot be written, or another program is writing to the session.
    """
    session = read_session(folder)
    say = progress or (lambda text, share: None)
    entries = [session.clip(name) for name in clips] or [
        entry for entry in session.clips if entry.kind in ("play", "serves")
    ]
    done: list[HarvestedClip] = []
    failed: list[tuple[str, str]] = []
    with only_writer(session.folder / "computed"):
        for entry in entries:
            try:
                done.append(_harvest_clip(session, entry, say))
            except BadSession as error:
                failed.append((entry.name, str(error)))
    if not done:
        raise BadSession(failed[0][1] if failed else f"{folder} has no clip of play; add one")
    return HarvestedSession(tuple(done), tuple(failed))


def _harvest_clip(session: Session, entry: ClipEntry, say: Progress) -> HarvestedClip:
    from halfvolley.learn.harvest import RallyTimes, harvest
    from halfvolley.session.pipeline import load_clip
    from halfvolley.session.stages import environment

    text = f"{entry.name}: vetting"
    say(text, 0.0)
    result = load_clip(session.folder, entry.name)
    when_s = time.time()
    found = harvest(
        entry.name, result.recording.info, result.scan.camera, result.flights, result.play,
        environment(session), when_s=when_s,
        read=lambda frames: frames_at(result.recording, frames, lambda share: say(text, share)),
    )  # fmt: skip
    with open_labels(session.folder, make=True) as store:
        merged = store.harvest(
            entry.name, found.labels, when_s=when_s, rally_at=RallyTimes(result.play).at
        )
        now = store.labels(clip=entry.name)
    say(text, 1.0)
    return HarvestedClip(
        entry.name, merged, sum(x.decision == "accepted" for x in now),
        sum(x.decision == "open" for x in now), found.hidden, found.doubted,
    )  # fmt: skip


def frames_at(
    recording: "Recording", frames: Sequence[int], tell: Callable[[float], None] | None = None
) -> Iterator[Frame]:
    """Frames of given indices in order; each is valid until the next one is asked for.

    Parameters
    ----------
    recording : Recording
        What is read.
    frames : sequence of int
        Indices in order of display; those that do not exist are left out.
    tell : callable, optional
        Told the share that is done.

    Yields
    ------
    Frame
        Numbered and timed through all chapters.
    """
    from dataclasses import replace

    from halfvolley.video import iter_frames

    wanted = np.unique(np.asarray(frames, dtype=np.int64))
    first = done = 0
    for part, shift in zip(recording.parts, recording.shift_s, strict=True):
        n = len(part.pts_s)
        own = wanted[(wanted >= first) & (wanted < first + n)] - first
        for run in np.split(own, np.flatnonzero(np.diff(own) > SEEK_FRAMES) + 1):
            if not len(run):
                continue
            asked = set(run.tolist())
            after = int(run[-1]) + 1
            stop_s = float(part.pts_s[after]) if after < n else None
            for frame in iter_frames(part, start_s=float(part.pts_s[run[0]]), stop_s=stop_s):
                if frame.index in asked:
                    done += 1
                    if tell is not None:
                        tell(done / len(wanted))
                    yield replace(frame, index=frame.index + first, t_s=frame.t_s + float(shift))
        first += n


def clip_facts(folder: Path | str) -> "dict[str, ClipFacts]":
    """What labels of each clip must agree with; clips whose file is missing are left out.

    Parameters
    ----------
    folder : Path or str
        The session folder.

    Returns
    -------
    dict
        By clip; with sizes of the ball and rallies where the clip is measured.
    """
    from halfvolley.learn.boxes import ClipFacts
    from halfvolley.learn.harvest import RallyTimes
    from halfvolley.session.radius import radius_map
    from halfvolley.session.recording import probe_recording

    session = read_session(folder)
    out: dict[str, ClipFacts] = {}
    for entry in session.clips:
        result = _measured(session, entry)
        if result is not None:
            info = result.recording.info
            radius = radius_map(result.scan.camera.camera, session.ball.radius_m)
            rallies = RallyTimes(result.play)
            out[entry.name] = ClipFacts(entry.name, info.size_px, info.pts_s, radius, rallies)
            continue
        try:
            info = probe_recording(entry.files).info
        except HalfvolleyError:
            continue
        out[entry.name] = ClipFacts(entry.name, info.size_px, info.pts_s)
    return out


def _measured(session: Session, entry: ClipEntry) -> "ClipResult | None":
    from halfvolley.session.pipeline import load_clip

    try:
        return load_clip(session.folder, entry.name)
    except HalfvolleyError:
        return None


def export_labels(
    folder: Path | str,
    target: Path | str,
    *,
    style: "Format" = "coco",
    picture_format: "PictureFormat" = "png",
    split_by: "SplitBy | None" = None,
    progress: Progress | None = None,
) -> "Exported":
    """Write labels and their pictures for other programs; whole or not at all.

    Parameters
    ----------
    folder : Path or str
        The session folder.
    target : Path or str
        A new or empty folder.
    style : str
        "rows", "coco" or "voc".
    picture_format : str
        "png", or "jpg" for smaller files.
    split_by : str, optional
        Also write which pictures train, choose and test, split by this.
    progress : callable, optional
        Told what is being done and which share of it is done.

    Returns
    -------
    Exported
        How much was written.

    Raises
    ------
    BadInput
        If the target is not empty, nothing is accepted yet, or a frame cannot be read.
    StorageError
        If it cannot be written.
    """
    from halfvolley.learn.exchange import exported_frames, write_export

    target = Path(target)
    labels = read_labels(folder)
    frames = exported_frames(labels.labels)
    if not frames:
        raise BadInput(
            f"no label of {folder} is accepted yet; run: halfvolley labels harvest {folder}"
        )
    if target.is_file() or (target.is_dir() and any(target.iterdir())):
        raise BadInput(f"{target} is there already and not empty; choose a new folder")
    facts = clip_facts(folder)
    lost = [clip for clip in frames if clip not in facts]
    if lost:
        raise BadInput(f"the file of {lost[0]} cannot be read; check its path in session.toml")
    split = None if split_by is None else split_session(labels, split_by)
    say = progress or (lambda text, share: None)
    with storing(target):
        if target.is_dir():
            target.rmdir()
    with folder_atomic(target) as unfinished:
        pictures = _pictures(read_session(folder), frames, labels.labels, say)
        return write_export(
            unfinished, labels.labels, facts, pictures, style=style,
            picture_format=picture_format, split=split,
        )  # fmt: skip


def _pictures(
    session: Session, frames: dict[str, tuple[int, ...]], labels: Iterable[Label], say: Progress
) -> Iterator[tuple[str, int, ByteImage]]:
    """Clip, frame and RGB picture of given frames, as they are handed on."""
    from halfvolley.session.recording import probe_recording
    from halfvolley.session.veil import handed_on
    from halfvolley.video import to_rgb

    said: dict[tuple[str, int], list[Label]] = {}
    for label in labels:
        said.setdefault((label.clip, label.frame), []).append(label)
    for clip, wanted in frames.items():
        entry = session.clip(clip)
        recording = probe_recording(entry.files)
        veil = handed_on(session, entry, recording)
        text = f"{clip}: writing pictures"
        for frame in frames_at(recording, wanted, lambda share, text=text: say(text, share)):  # type: ignore[misc]
            picture = to_rgb(frame, recording.info)
            if veil is not None:
                veil.over(picture, said.get((clip, frame.index), ()))
            yield clip, frame.index, picture


def split_session(labels: LabelSet, by: "SplitBy" = "rally") -> "Split":
    """The split of one session's labels: the same each time.

    Raises
    ------
    BadInput
        If there are too few labels, rallies, clips or halls.
    """
    from halfvolley.learn.split import SplitSettings, split_labels

    return split_labels([labels], SplitSettings(by), rng=np.random.default_rng(SPLIT_SEED))


def import_labels(
    folder: Path | str,
    source: Path | str,
    *,
    who: str,
    style: "Format | None" = None,
    ball: str = "ball",
    first_pixel: int = 1,
) -> "tuple[Imported, Merged]":
    """Bring in labels made or changed elsewhere, all or none of them.

    Parameters
    ----------
    folder : Path or str
        The session folder.
    source : Path or str
        Folder or file with the labels.
    who : str
        Whose word they are.
    style : str, optional
        "rows", "coco" or "voc"; found out where it is left out.
    ball : str
        The class that is the ball.
    first_pixel : int
        For VOC: 1 as published, or 0.

    Returns
    -------
    Imported
        What the source holds.
    Merged
        What it changed here.

    Raises
    ------
    BadInput
        If anything in the source cannot be used; nothing has changed then.
    StorageError
        If labels cannot be written.
    """
    from halfvolley.learn.exchange import read_import

    session = read_session(folder)
    if not who.strip():
        raise BadInput("imported labels need the name of whoever made them; give it with --who")
    now_s = time.time()
    found = read_import(
        Path(source), clip_facts(folder), who=who, when_s=now_s, style=style, ball=ball,
        first_pixel=first_pixel,
    )  # fmt: skip
    with open_labels(session.folder, make=True) as store:
        what = f"import from {Path(source).name}"
        return found, store.add(found.labels, what=what, who=who, when_s=now_s)


def check_labels(
    folder: Path | str, *, split_by: "SplitBy" = "rally", pictures: Path | None = None
) -> "tuple[Finding, ...]":
    """What is wrong with the labels of a session: one line each, with the remedy.

    Parameters
    ----------
    folder : Path or str
        The session folder.
    split_by : str
        The split that is to be used.
    pictures : Path, optional
        Also check the pictures of an exported or foreign data set.

    Returns
    -------
    tuple of Finding
        Empty where nothing is wrong.

    Raises
    ------
    BadSession
        If there are no labels.
    """
    from halfvolley.learn import check

    labels = read_labels(folder)
    out: list[Finding] = []
    split = None
    try:
        split = split_session(labels, split_by)
    except BadInput as error:
        out.append(check.Finding(f"no split by {split_by}", str(error), 0))
    out = [*check.check_labels(labels.labels, clip_facts(folder), split), *out]
    out += _same_footage(read_session(folder))
    if pictures is not None:
        out += check.check_folder(pictures)
    return tuple(out)


def _same_footage(session: Session) -> "Iterable[Finding]":
    """Clips with the same content under two names: a split between them would be none."""
    from halfvolley.learn.check import Finding
    from halfvolley.session.store import ClipHashes, Store

    hashes = ClipHashes(Store(session.folder))
    seen: dict[str, str] = {}
    for entry in session.clips:
        try:
            content = hashes.of(entry.path)
        except HalfvolleyError as error:
            yield Finding(f"the footage of {entry.name} cannot be read", str(error), 1)
            continue
        if content in seen:
            yield Finding(
                f"{entry.name} is the same footage as {seen[content]}",
                "take one of them out of session.toml", 1,
            )  # fmt: skip
        seen.setdefault(content, entry.name)


def undo_labels(folder: Path | str) -> "Step | None":
    """Take back the newest change of the labels; None where there is none left.

    Raises
    ------
    BadSession
        If there are no labels.
    StorageError
        If it cannot be written.
    """
    with open_labels(read_session(folder).folder) as store:
        return store.undo()


def label_queue(folder: Path | str) -> "tuple[Queued, ...]":
    """The review queue, most doubtful and most useful first.

    Raises
    ------
    BadSession
        If there are no labels.
    """
    from halfvolley.learn.queue import review_queue

    return review_queue(read_labels(folder).labels)


def label_pictures(
    folder: Path | str, labels: Sequence[Label]
) -> Iterator[tuple[str, int, ByteImage]]:
    """Clip, frame and RGB picture of every frame that the labels are of, each once.

    Raises
    ------
    BadInput
        If something is to be blurred and no camera tells where.
    FootageError
        If a clip cannot be read.
    """
    frames: dict[str, set[int]] = {}
    for label in labels:
        frames.setdefault(label.clip, set()).add(label.frame)
    wanted = {clip: tuple(sorted(found)) for clip, found in sorted(frames.items())}
    return _pictures(read_session(folder), wanted, labels, lambda text, share: None)
