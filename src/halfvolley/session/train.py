"""Training on sessions: labels, split, examples, the loop of learn, the comparison on what was held
out, and the better detector put to use. `--rounds` repeats it without a person.

    measure -> harvest -> split -> cut examples -> fine-tune -> compare -> use the better one
       ^                                                                        |
       +------------------------------- rounds ---------------------------------+
"""

import importlib.util
import shutil
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from halfvolley.errors import BadInput, BadSession
from halfvolley.session.files import only_writer
from halfvolley.session.labels import (
    SPLIT_SEED,
    harvest_labels,
    read_labels,
)
from halfvolley.session.lesson import Lesson, Progress
from halfvolley.session.models import (
    CARD_FORMAT,
    current_detector,
    keep_model,
    named_detector,
    next_model,
    short_name,
    use_detector,
)
from halfvolley.session.schema import DETECTORS, Session, read_session
from halfvolley.session.score import Exam, ScoredDetector, Scores, exam_of_labels, hold_all
from halfvolley.session.store import package_versions
from halfvolley.session.unfinished import CHECKPOINT, FOLDER, note_training
from halfvolley.types import LabelSet

if TYPE_CHECKING:
    from halfvolley.learn.finetune import Tuned, TuneSettings
    from halfvolley.learn.split import Part, SplitBy

Say = Callable[[str], None]
SET_ON_FRAMES = 1000  # of a part, about, on which scores are set however many have labels
# of worth: labels that a start made ask for little of what it missed, so that a new one may seem
# worse by this and be tried all the same where its flights are looked at next
ROUNDS_SLACK = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class Trained:
    """What one training did."""

    before: str  # what the first session used
    after: str  # what all sessions use now
    model: Path | None  # the new detector; None where training found nothing better than its start
    card: dict[str, Any]
    scores: Scores  # of all that were compared, on what was held out
    took_s: float


def need_torch() -> None:
    """Check that training can run at all.

    Raises
    ------
    BadInput
        If PyTorch or onnx is not installed.
    """
    for name in ("torch", "onnx"):
        if importlib.util.find_spec(name) is None:
            raise BadInput(
                f"training needs {name}, which is not installed; install it with: "
                "pip install '.[train]' in the folder of halfvolley. Measuring works without it"
            )


def tune_settings(**said: Any) -> "TuneSettings":
    """Settings of a training.

    Raises
    ------
    BadInput
        If PyTorch or onnx is not installed.
    """
    need_torch()
    from halfvolley.learn.finetune import TuneSettings

    return TuneSettings(**said)


def train_sessions(
    folders: Sequence[Path | str],
    *,
    settings: "TuneSettings | None" = None,
    split_by: "SplitBy" = "rally",
    start: str | None = None,
    device: str = "auto",
    rounds: int = 1,
    progress: Progress | None = None,
    say: Say = lambda words: None,
) -> tuple[Trained, ...]:
    """Teach the detector on the accepted labels of sessions; the better one is used from then on.

    Parameters
    ----------
    folders : sequence of Path or str
        Session folders.
    settings : TuneSettings, optional
        How.
    split_by : str
        What is never on two sides of the split; "frame" is leaky.
    start : str, optional
        Detector to begin from; that of the first session, or the shipped one where that is no
        network.
    device : str
        "auto", or a device of PyTorch.
    rounds : int
        1: learn from the labels as they are. More: measure, harvest and train again until nothing
        changes, so often at most; a new detector with which flights vouch for fewer balls than
        before is given up.
    progress : callable, optional
        Told what is being done and which share of it is done.
    say : callable
        Told what a person should read, a sentence at a time.

    Returns
    -------
    tuple of Trained
        One for each round; `after` is what is used when all is done.

    Raises
    ------
    BadInput
        If PyTorch is missing, there are too few labels or rallies, or a detector cannot be used.
    BadSession
        If a session cannot be used.
    StorageError
        If something cannot be written, or another program trains here.
    """
    need_torch()
    tell = progress or (lambda text, share: None)

    def once(start: str | None, slack: float) -> Trained:
        return _train_once(folders, settings, split_by, start, device, slack, tell, say)

    if rounds == 1:
        return (once(start, 0.0),)
    done: list[Trained] = []
    balls = _vouched_for(folders, tell, say)
    for number in range(1, rounds + 1):
        done.append(once(start if number == 1 else None, ROUNDS_SLACK))
        if done[-1].after == done[-1].before:
            say(f"Nothing changes any more after round {number}.")
            break
        before, balls = balls, _vouched_for(folders, tell, say)
        if balls < before:
            say(f"Flights now vouch for {balls} balls instead of {before}: back to what was.")
            for folder in folders:
                use_detector(read_session(folder), done[-1].before)
            _vouched_for(folders, tell, say)
            done[-1] = replace(done[-1], after=done[-1].before)
            break
    return tuple(done)


def _train_once(
    folders: Sequence[Path | str], settings: "TuneSettings | None", split_by: "SplitBy",
    start: str | None, device: str, slack: float, tell: Progress, say: Say,
) -> Trained:  # fmt: skip
    """One training on the labels as they are."""
    from halfvolley.learn.finetune import TuneSettings

    sessions = [read_session(folder) for folder in folders]
    sets = [_labels(session, tell, say) for session in sessions]
    with only_writer(sessions[0].folder / "computed" / FOLDER):
        one = _Training(sessions, sets, settings or TuneSettings(), split_by, start, device)
        return one.run(tell, say, slack)


def _vouched_for(folders: Sequence[Path | str], tell: Progress, say: Say) -> int:
    """Measure and harvest with what the sessions use; how many balls flights vouch for then."""
    from halfvolley.session.pipeline import measure

    for folder in folders:
        measure(folder, progress=tell)
        _harvest(folder, tell, say)
    labels = [x for folder in folders for x in read_labels(Path(folder)).usable]
    return sum(label.is_ball for label in labels)


def _labels(session: Session, tell: Progress, say: Say) -> LabelSet:
    """Labels of a session, harvested where there are none."""
    try:
        labels = read_labels(session.folder)
        if labels.usable:
            return labels
    except BadSession:
        pass  # none yet
    say(f"{session.folder} has no labels yet: harvesting them first.")
    _harvest(session.folder, tell, say)
    return read_labels(session.folder)


def _harvest(folder: Path | str, tell: Progress, say: Say) -> None:
    done = harvest_labels(folder, progress=tell)
    for c in done.clips:
        say(f"{c.clip}: {c.accepted} labels accepted, {c.open} left open.")
    for name, why in done.not_harvested:
        say(f"{name} was not harvested: {why}")


class _Training:
    """One training on the labels of some sessions."""

    def __init__(
        self, sessions: Sequence[Session], sets: Sequence[LabelSet], settings: "TuneSettings",
        split_by: "SplitBy", start: str | None, device: str,
    ) -> None:  # fmt: skip
        from halfvolley.constants import SHIPPED_NETWORK
        from halfvolley.learn.loop import pick_device

        self.sessions, self.settings = sessions, settings
        self.home = sessions[0]
        self.before = current_detector(self.home)
        chosen = self.before if start is None else named_detector(self.home, start)
        self.start = "network" if chosen in DETECTORS else chosen
        self.start_path = SHIPPED_NETWORK if self.start == "network" else Path(self.start)
        self.device = pick_device(device)
        self.lesson = Lesson(sessions, sets, split_by, (self.start, self.before))

    def run(self, tell: Progress, say: Say, slack: float) -> Trained:
        """Train, compare, choose, keep; the new one may seem worse by `slack`."""
        started = time.monotonic()
        work = (
            self.home.folder / "computed" / FOLDER / self.lesson.key(self.start_path, self.settings)
        )
        if (work / CHECKPOINT).exists():
            say("Going on with the training that was stopped.")
        lesson = self.lesson
        say(
            f"Training on {self.device.type.upper()} from {short_name(self.home, self.start)}: "
            f"{lesson.count('train')} labels to learn from, "
            f"{lesson.count('validation')} to choose with, {lesson.count('test')} held out "
            f"for the comparison ({lesson.split.words})."
        )
        tuned = self._tune(work, tell)
        for note in tuned.notes:
            say(f"Note: {note}.")
        say(
            f"{tuned.curve[-1].step} steps in {tuned.took_s:.0f} s ({tuned.steps_per_s:.1f} a "
            f"second on {tuned.device}); the best weights are those of step {tuned.best_step}."
        )
        tuned = self._trusted(tuned, tell)
        scores = self._compare(tuned, work, tell)
        trained = self._choose(tuned, scores, slack, time.monotonic() - started)
        shutil.rmtree(work, ignore_errors=True)
        return trained

    def _tune(self, work: Path, tell: Progress) -> "Tuned":
        from halfvolley.learn import finetune

        s = self.settings
        made = self.home.folder / "computed" / FOLDER / f"made-{s.seed}"
        finetune.make_halls_for(s, made, tell)
        own = self.lesson.examples("train", self.start_path, s.own_examples, s.seed, tell)
        assert own is not None
        choosing = self.lesson.examples(
            "validation", self.start_path, s.own_examples // 5, s.seed, tell
        )
        note_training(work, self._said())
        return finetune.fine_tune(self.start_path, own, choosing, made, work, s, self.device, tell)

    def _said(self) -> dict[str, Any]:
        """What goes on from a checkpoint must be told again, and what watchers show."""
        from halfvolley.learn.split import PARTS

        return {
            "settings": asdict(self.settings),
            "split_by": self.lesson.split.by,
            "start": short_name(self.home, self.start),
            "device": self.device.type.upper(),
            "labels": {part: self.lesson.count(part) for part in PARTS},
            "sessions": [str(session.folder.resolve()) for session in self.sessions],
        }

    def _compare(self, tuned: "Tuned", work: Path, tell: Progress) -> Scores:
        """All that a session uses now, the start, and the new one on what was held out."""
        exams = self._exams("test")
        rivals = [self.before, *(current_detector(s) for s in self.sessions), self.start]
        names = list(dict.fromkeys(rivals))
        if tuned.best_step:
            names.append(str(tuned.path))
        found = list(hold_all(exams, names, tell))
        if tuned.best_step:
            last = found[-1]
            found[-1] = ScoredDetector(
                f"models/{next_model(self.sessions)}", last.device, last.notes, last.held
            )
        split = self.lesson.split
        notes = (split.words,) if split.leaky else ()
        clips = tuple(exam.entry.name for exam in exams)
        return Scores(self.home.folder, tuple(found), clips, notes)

    def _exams(self, part: "Part", most: int | None = None) -> list[Exam]:
        """What labels say of the frames of a part; of every n-th rally where `most` are enough."""
        spans = self.lesson.spans(part)
        frames = sum(last - first + 1 for rallies in spans.values() for first, last in rallies)
        every = 1 if most is None else -(-frames // most)
        return [
            exam_of_labels(session, entry, labels.labels, mine[::every])
            for session, labels in zip(self.sessions, self.lesson.sets, strict=True)
            for entry in session.clips
            if (mine := spans.get((labels.session, entry.name)))
        ]

    def _trusted(self, tuned: "Tuned", tell: Progress) -> "Tuned":
        """The new detector with scores that are shares of balls, whole pictures considered.

        Examples are cut around labels and hold few of the things of a hall that might be taken for
        a ball. In a frame of a sure flight all that is found off it is none, wherever it is; the
        new detector is to invent no more there than its start.
        """
        from halfvolley.learn.finetune import rescaled
        from halfvolley.learn.measured import calibrate, no_more_false
        from halfvolley.learn.scoring import figures, found_of

        if not tuned.best_step:
            return tuned
        parts: tuple[Part, ...] = ("validation", "train")
        exams = [exam for part in parts for exam in self._exams(part, SET_ON_FRAMES)]
        old, new = (d.held["labels"] for d in hold_all(exams, [self.start, str(tuned.path)], tell))
        found = found_of(new)
        return rescaled(tuned, *no_more_false(found, calibrate(found), figures(old).false))

    def _choose(self, tuned: "Tuned", scores: Scores, slack: float, took_s: float) -> Trained:
        from halfvolley.learn.scoring import figures, gain
        from halfvolley.learn.split import PARTS

        worth = [figures(d.held["labels"]).worth for d in scores.detectors]
        if tuned.best_step:
            worth[-1] += slack
        best = scores.detectors[int(np.argmax(worth))].name  # the first of equals: what is used
        name = next_model(self.sessions)
        old, new = scores.detectors[0], scores.detectors[-1]
        card: dict[str, Any] = {
            "format": CARD_FORMAT,
            "file": name,
            "sha": tuned.sha,
            "date": time.strftime("%Y-%m-%d", time.gmtime()),
            "start": short_name(self.home, self.start),
            "labels": {part: self.lesson.count(part) for part in PARTS},
            "split": self.lesson.split.words,
            "leaky": self.lesson.split.leaky,
            "spans": self.lesson.card_spans(),
            "settings": asdict(self.settings),
            "device": tuned.device,
            "took_s": round(took_s, 1),
            "best_step": tuned.best_step,
            "notes": list(tuned.notes),
            "curve": [asdict(point) for point in tuned.curve],
            "compared": {d.name: asdict(figures(d.held["labels"])) for d in scores.detectors},
            "gain": asdict(
                gain(old.held["labels"], new.held["labels"], np.random.default_rng(SPLIT_SEED))
            ),
            "used": best,
            "packages": package_versions(),
        }
        model = None
        if tuned.best_step:
            content = tuned.path.read_bytes()
            paths = [keep_model(session, name, content, card) for session in self.sessions]
            model = paths[0]
        before = short_name(self.home, self.before)
        for session in self.sessions:
            if best != short_name(session, current_detector(session)):
                use_detector(session, best)
        return Trained(before, best, model, card, scores, took_s)
