"""Scores of detectors on a session's footage: what is known of it, the finders run over it, the
figures. The mathematics is in learn.scoring."""

import json
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from halfvolley.errors import BadInput, BadSession, NoCamera
from halfvolley.session.detector import make_finder
from halfvolley.session.labels import frames_at, open_labels
from halfvolley.session.models import (
    LEARNED,
    Spans,
    current_detector,
    named_detector,
    read_card,
    short_name,
    spans_in,
)
from halfvolley.session.recording import Recording, probe_recording
from halfvolley.session.schema import ClipEntry, Session, read_session
from halfvolley.session.store import ClipHashes, Store
from halfvolley.types import ClipInfo, Detections, FloatArray, IntArray, Label, concatenate

if TYPE_CHECKING:
    from halfvolley.ball import RadiusMap
    from halfvolley.learn.answers import Answers
    from halfvolley.learn.scoring import Held

Progress = Callable[[str, float], None]
LEAD_IN_S = 1.0  # finders learn the background and the ball's look before they are judged
APART_S = 4.0  # answers further apart than this are searched as pieces of their own
LAG_FRAMES = 8  # finders answer a few frames late
WARM_UP_FRAMES = 30  # of each piece, that are not timed
TRUTH_FORMAT = "footage-truth-1"


@dataclass(frozen=True, slots=True, eq=False)
class Exam:
    """One clip, and what is known of some of its frames, by who says so."""

    session: Session
    entry: ClipEntry
    recording: Recording
    radius: "RadiusMap | None"
    answers: "Mapping[str, Answers]"  # by "labels", "truth" or "no ball"

    @property
    def info(self) -> ClipInfo:
        """Facts of the file."""
        return self.recording.info


@dataclass(frozen=True, slots=True, eq=False)
class ScoredDetector:
    """One detector on all exams."""

    name: str  # as session.toml would name it
    device: str  # where it ran
    notes: tuple[str, ...]  # what a person should know of it
    held: "Mapping[str, Held]"  # by who knows


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """Some detectors on the same frames."""

    folder: Path
    detectors: tuple[ScoredDetector, ...]
    clips: tuple[str, ...]  # by the number that `Held` gives them
    notes: tuple[str, ...]  # what must be said with every figure


def score_session(
    folder: Path | str,
    detectors: Sequence[str] = (),
    *,
    no_ball: Sequence[str] = (),
    leaky: bool = False,
    progress: Progress | None = None,
) -> Scores:
    """How good detectors are on a session: against its labels, and its truth where it is made.

    Parameters
    ----------
    folder : Path or str
        The session folder.
    detectors : sequence of str
        "classical", "network" or files; the one that the session uses where it is left out.
    no_ball : sequence of str
        Clips of which a person says that they show no ball: every find there is false.
    leaky : bool
        Also use frames that a detector has learned from; the scores are called leaky.
    progress : callable, optional
        Told what is being done and which share of it is done.

    Returns
    -------
    Scores
        Of every detector on the same frames.

    Raises
    ------
    BadInput
        If a detector cannot be used, or nothing is known of the footage.
    FootageError
        If a clip cannot be read.
    """
    session = read_session(folder)
    names = [named_detector(session, n) for n in detectors] or [current_detector(session)]
    for name in no_ball:
        session.clip(name)
    exams, notes = _exams(session, names, no_ball, leaky)
    return Scores(
        session.folder,
        hold_all(exams, names, progress or (lambda text, share: None)),
        tuple(exam.entry.name for exam in exams),
        notes,
    )


def _exams(
    session: Session, names: Sequence[str], no_ball: Sequence[str], leaky: bool
) -> tuple[list[Exam], tuple[str, ...]]:
    """What is known of each clip, without what a detector has learned from."""
    from halfvolley.learn.answers import (
        answers_of_labels,
        answers_of_truth,
        answers_without_ball,
    )

    labels: tuple[Label, ...] = ()
    try:
        with open_labels(session.folder) as store:
            labels = store.labels()
    except BadSession:
        pass  # none were harvested; truth or clips without a ball may do
    hashes = ClipHashes(Store(session.folder))
    cards = {name: card for name in names if (card := read_card(name)) is not None}
    exams, left_out = [], dict.fromkeys(cards, 0)
    for entry in session.clips:
        recording = probe_recording(entry.files)
        size, n = recording.info.size_px, len(recording.info.pts_s)
        answers: dict[str, Answers] = {}
        if entry.name in no_ball:
            answers["no ball"] = answers_without_ball(entry.name, size, n)
        elif any(label.clip == entry.name and label.decision == "accepted" for label in labels):
            answers["labels"] = answers_of_labels(labels, entry.name, size)
        truth = truth_of(entry)
        if truth is not None and len(truth["frames"]) == n:
            answers["truth"] = answers_of_truth(truth, entry.name)
        for name, card in cards.items():
            learned = spans_in(card, hashes.of(entry.path), LEARNED)
            kept = {who: a.within(learned, inside=False) for who, a in answers.items()}
            left_out[name] += sum(len(answers[who]) - len(kept[who]) for who in kept)
            answers = answers if leaky else kept
        answers = {who: a for who, a in answers.items() if len(a)}
        if answers:
            exams.append(Exam(session, entry, recording, _radius(session, entry), answers))
    notes = _notes(session, cards, left_out, leaky)
    if not exams:
        raise BadInput(" ".join((_nothing_known(session), *notes)))
    return exams, notes


def _nothing_known(session: Session) -> str:
    return (
        f"nothing is known of the clips that a score could be made from; run: halfvolley labels "
        f"harvest {session.folder}, add footage, or name clips that show no ball with --no-ball."
    )


def _notes(
    session: Session, cards: Mapping[str, dict[str, Any]], left_out: Mapping[str, int], leaky: bool
) -> tuple[str, ...]:
    out = []
    for name, card in cards.items():
        said = short_name(session, name)
        if card["leaky"]:
            out.append(f"LEAKY: {said} was split by random frames, its scores are too good")
        if left_out[name] and leaky:
            out.append(f"LEAKY: {said} has learned from some of these frames")
        elif left_out[name]:
            out.append(f"frames that {said} has learned from are left out")
    return tuple(out)


def truth_of(entry: ClipEntry) -> dict[str, Any] | None:
    """The truth that lies beside a made clip; None where there is none."""
    try:
        document = json.loads(entry.path.with_suffix(".json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    good = isinstance(document, dict) and document.get("format") == TRUTH_FORMAT
    return document if good else None


def _radius(session: Session, entry: ClipEntry) -> "RadiusMap | None":
    """How large the ball can look, where the camera is found."""
    from halfvolley.session.pipeline import calibrate_clip
    from halfvolley.session.radius import radius_map

    try:
        _, found = calibrate_clip(session, entry.name)
    except NoCamera:
        return None
    return radius_map(found.camera, session.ball.radius_m)


def exam_of_labels(
    session: Session, entry: ClipEntry, labels: Sequence[Label], spans: Spans
) -> Exam:
    """What all labels of a session say of a clip within spans of frames."""
    from halfvolley.learn.answers import answers_of_labels

    recording = probe_recording(entry.files)
    answers = answers_of_labels(labels, entry.name, recording.info.size_px).within(spans)
    return Exam(session, entry, recording, _radius(session, entry), {"labels": answers})


def hold_all(
    exams: Sequence[Exam], names: Sequence[str], say: Progress
) -> tuple[ScoredDetector, ...]:
    """Run detectors over exams and hold what they find against what is known.

    Parameters
    ----------
    exams : sequence of Exam
        Clips of one session or several.
    names : sequence of str
        Detectors as `named_detector` gives them.
    say : callable
        Told what is being done and which share of it is done.
    """
    from halfvolley.learn.scoring import hold, together

    lumas = [_luma(exam, say) for exam in exams]
    out = []
    for name in names:
        parts: dict[str, list[Held]] = {}
        device = ""
        notes: tuple[str, ...] = ()
        for number, (exam, luma) in enumerate(zip(exams, lumas, strict=True)):
            search = _search(exam, name, say)
            device, notes = search.device, search.notes
            share = 1.0 / len(exam.answers)
            for who, answers in exam.answers.items():
                parts.setdefault(who, []).append(
                    hold(
                        search.found, answers, luma[who], clip=number,
                        interval_s=exam.info.frame_interval_s, took_s=share * search.took_s,
                        searched=round(share * search.timed),
                    )
                )  # fmt: skip
        held = {who: together(p) for who, p in parts.items()}
        out.append(ScoredDetector(short_name(exams[0].session, name), device, notes, held))
    return tuple(out)


def _luma(exam: Exam, say: Progress) -> dict[str, FloatArray]:
    """How bright each ball is that is asked for, by who knows of it."""
    from halfvolley.learn.answers import brightness

    out = {who: np.full(len(a), np.nan) for who, a in exam.answers.items()}
    at = {
        who: {int(a.frame[i]): int(i) for i in np.flatnonzero(a.asked)}
        for who, a in exam.answers.items()
    }
    wanted = sorted({frame for rows in at.values() for frame in rows})
    text = f"{exam.entry.name}: looking at the balls"
    for frame in frames_at(exam.recording, wanted, lambda share: say(text, share)):
        for who, rows in at.items():
            if frame.index in rows:
                i = rows[frame.index]
                out[who][i] = brightness(frame, exam.answers[who].ball[i])
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    found: Detections
    device: str
    notes: tuple[str, ...]
    took_s: float
    timed: int  # frames that took so long


def _search(exam: Exam, name: str, say: Progress) -> _Search:
    """What one detector finds around the frames that are asked about."""
    frames = np.unique(np.concatenate([a.frame for a in exam.answers.values()]))
    pieces = _pieces(frames, exam.info)
    total = sum(last - first for first, last in pieces)
    text = f"{exam.entry.name}: {short_name(exam.session, name)}"
    parts: list[Detections] = []
    took_s, timed, done, device = 0.0, 0, 0, ""
    notes: tuple[str, ...] = ()
    for first, last in pieces:
        made = make_finder(
            name, exam.info, masks=[np.array(polygon) for polygon in exam.entry.masks_px],
            expected_radius=exam.radius, waiting=0,
        )  # fmt: skip
        device, notes = made.device, made.warnings
        for frame in frames_at(exam.recording, range(first, last)):
            started = time.perf_counter()
            parts.append(made.finder.feed(frame))
            if frame.index - first >= WARM_UP_FRAMES:
                took_s += time.perf_counter() - started
                timed += 1
            done += 1
            if done % 16 == 0:
                say(text, done / total)
        parts.append(made.finder.finish())
    say(text, 1.0)
    return _Search(concatenate(parts), device, notes, took_s, timed)


def _pieces(frames: IntArray, info: ClipInfo) -> list[tuple[int, int]]:
    """First frames and ends of what must be searched; no two overlap."""
    lead = round(LEAD_IN_S / info.frame_interval_s)
    apart = max(round(APART_S / info.frame_interval_s), lead + 2 * LAG_FRAMES)
    runs = np.split(frames, np.flatnonzero(np.diff(frames) > apart) + 1)
    n = len(info.pts_s)
    return [(max(int(r[0]) - lead, 0), min(int(r[-1]) + LAG_FRAMES, n - 1) + 1) for r in runs]
