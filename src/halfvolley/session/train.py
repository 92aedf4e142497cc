"""Training on sessions: labels, split, examples, the loop of learn, the comparison on what was held
out, and the better detector put to use. `--rounds` repeats it without a person.

    measure -> harvest -> split -> cut examples -> fine-tune -> compare -> use the better one
       ^                                                                        |
       +------------------------------- rounds ---------------------------------+
"""

import hashlib
import importlib.util
import json
import shutil
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from halfvolley.errors import BadInput, BadSession
from halfvolley.session.files import only_writer
from halfvolley.session.labels import (
    SPLIT_SEED,
    frames_at,
    harvest_labels,
    read_labels,
)
from halfvolley.session.models import (
    CARD_FORMAT,
    Spans,
    current_detector,
    keep_model,
    named_detector,
    next_model,
    read_card,
    short_name,
    spans_in,
    use_detector,
)
from halfvolley.session.recording import probe_recording
from halfvolley.session.schema import DETECTORS, Session, read_session
from halfvolley.session.score import ScoredDetector, Scores, exam_of_labels, hold_all
from halfvolley.session.store import ClipHashes, Store, package_versions
from halfvolley.types import Label, LabelSet

if TYPE_CHECKING:
    from halfvolley.learn.finetune import Tuned, TuneSettings
    from halfvolley.learn.made import Examples
    from halfvolley.learn.split import Part, Split, SplitBy

Progress = Callable[[str, float], None]
Say = Callable[[str], None]
FOLDER = "training"  # within computed/: what may be thrown away
NEAR_FRAMES = 120  # a label so near to frames that were held out is held out too


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
                "pip install 'halfvolley[train]'. Measuring works without it"
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
        changes, so often at most.
    progress : callable, optional
        Told what is being done and which share of it is done.
    say : callable
        Told what a person should read, a sentence at a time.

    Returns
    -------
    tuple of Trained
        One for each round.

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
    from halfvolley.learn.finetune import TuneSettings
    from halfvolley.session.pipeline import measure

    tell = progress or (lambda text, share: None)
    done: list[Trained] = []
    for number in range(1, rounds + 1):
        if rounds > 1:
            for folder in folders:
                measure(folder, progress=tell)
                _harvest(folder, tell, say)
        sessions = [read_session(folder) for folder in folders]
        sets = [_labels(session, tell, say) for session in sessions]
        with only_writer(sessions[0].folder / "computed" / FOLDER):
            one = _Training(sessions, sets, settings or TuneSettings(), split_by, start, device)
            done.append(one.run(tell, say))
        if done[-1].after == done[-1].before:
            if rounds > 1:
                say(f"Nothing changes any more after round {number}.")
            break
        start = None
    return tuple(done)


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
        from halfvolley.ball.network import SHIPPED
        from halfvolley.learn.loop import pick_device

        self.sessions, self.sets, self.settings = sessions, sets, settings
        self.home = sessions[0]
        self.by_name = {str(s.folder): s for s in sessions}
        self.hashes = {str(s.folder): ClipHashes(Store(s.folder)) for s in sessions}
        self.before = current_detector(self.home)
        chosen = self.before if start is None else named_detector(self.home, start)
        self.start = "network" if chosen in DETECTORS else chosen
        self.start_path = SHIPPED if self.start == "network" else Path(self.start)
        self.device = pick_device(device)
        self.split = self._divided(split_by)

    def run(self, tell: Progress, say: Say) -> Trained:
        """Train, compare, choose, keep."""
        started = time.monotonic()
        work = self.home.folder / "computed" / FOLDER / self._key()
        if (work / "checkpoint.npz").exists():
            say("Going on with the training that was stopped.")
        words = self.split.words
        say(
            f"Training on {self.device.type.upper()} from {short_name(self.home, self.start)}: "
            f"{_count(self.split.train)} labels to learn from, "
            f"{_count(self.split.validation)} to choose with, {_count(self.split.test)} held out "
            f"for the comparison ({words})."
        )
        tuned = self._tune(work, tell)
        for note in tuned.notes:
            say(f"Note: {note}.")
        say(
            f"{tuned.curve[-1].step} steps in {tuned.took_s:.0f} s ({tuned.steps_per_s:.1f} a "
            f"second on {tuned.device}); the best weights are those of step {tuned.best_step}."
        )
        scores = self._compare(tuned, work, tell)
        trained = self._choose(tuned, scores, time.monotonic() - started)
        shutil.rmtree(work, ignore_errors=True)
        return trained

    # --- what is learned from ----------------------------------------------------------------
    def _divided(self, by: "SplitBy") -> "Split":
        from halfvolley.learn.split import PARTS, SplitSettings, keep_split

        cards = [read_card(name) for name in dict.fromkeys((self.start, self.before))]

        def part_of(labels: LabelSet, label: Label) -> "Part | None":
            content = self._content(labels.session, label.clip)
            best = NEAR_FRAMES + 1
            part: Part | None = None
            for name in PARTS:
                for first, last in (s for card in cards for s in spans_in(card, content, (name,))):
                    away = max(first - label.frame, label.frame - last, 0)
                    if away < best:
                        best, part = away, name
            return part

        chance = np.random.default_rng(SPLIT_SEED)
        try:
            split = keep_split(self.sets, part_of, SplitSettings(by), rng=chance)
        except BadInput as error:
            if "of 2 " not in str(error):
                raise
            # two rallies: one to learn from, one to compare with, none to choose with
            shares = SplitSettings(by, (0.7, 0.0, 0.3))
            split = keep_split(self.sets, part_of, shares, rng=chance)
        if not (split.train and split.test):
            raise BadInput(
                "an earlier training has learned from all of these labels or held all of them "
                "out; add footage, or begin from another detector with --start network"
            )
        return split

    def _content(self, session: str, clip: str) -> str:
        return self.hashes[session].of(self.by_name[session].clip(clip).path)

    def _spans(self, part: str) -> dict[tuple[str, str], Spans]:
        """Frames of a part by session and clip: from the first to the last label of each rally."""
        out: dict[tuple[str, str], dict[Any, list[int]]] = {}
        for labels in self.split.part(part):  # type: ignore[arg-type]
            for label in labels.labels:
                group = label.frame if self.split.leaky else label.rally
                rallies = out.setdefault((labels.session, label.clip), {})
                rallies.setdefault(group, []).append(label.frame)
        return {
            where: sorted((min(f), max(f)) for f in rallies.values())
            for where, rallies in out.items()
        }

    def _key(self) -> str:
        """Names this training: the same labels, split, start and settings give the same name."""
        said = {
            "start": hashlib.sha256(self.start_path.read_bytes()).hexdigest(),
            "settings": asdict(self.settings),
            "by": self.split.by,
            "parts": [
                [
                    [self._content(labels.session, x.clip), x.frame, x.kind, x.uv_px, x.radius_px]
                    for labels in self.split.part(part)
                    for x in labels.labels
                ]
                for part in ("train", "validation", "test")
            ],
        }
        return hashlib.blake2b(json.dumps(said).encode(), digest_size=10).hexdigest()

    def _examples(self, part: str, most: int, tell: Progress) -> "Examples":
        """Examples of a part, cut from the footage."""
        from halfvolley.learn.footage import CutSettings, cut_examples, frames_for, thinned
        from halfvolley.learn.made import joined

        cut = CutSettings()
        sets = self.split.part(part)  # type: ignore[arg-type]
        total = max(_count(sets), 1)
        repeat = int(np.clip(most // total, 1, cut.each))
        out = []
        for labels in sets:
            session = self.by_name[labels.session]
            known = next(s for s in self.sets if s.session == labels.session).labels
            for clip in sorted({label.clip for label in labels.labels}):
                own = [label for label in labels.labels if label.clip == clip]
                chosen = thinned(own, max(round(most * len(own) / total), 1))
                text = f"{clip}: cutting examples"
                frames = frames_at(
                    probe_recording(session.clip(clip).files), frames_for(chosen, cut.frames),
                    lambda share, text=text: tell(text, share),  # type: ignore[misc]
                )  # fmt: skip
                out.append(
                    cut_examples(
                        chosen, [x for x in known if x.clip == clip], frames, cut,
                        np.random.default_rng(self.settings.seed), repeat=repeat,
                        peaks=self._peaks(),
                    )
                )  # fmt: skip
        return joined(out)

    def _peaks(self) -> Any:
        """What the start finds, so that what no label speaks of can be left open."""
        from halfvolley.ball import maps
        from halfvolley.ball.network import load_detector

        detector = load_detector(self.start_path)

        def peaks(luma: Any, chroma: Any) -> list[Any]:
            f = detector.frames
            found = detector.maps(luma[:, -f:], chroma[:, -2 * f :])
            return [maps.peaks(one, detector.stride, 0.05) for one in found]

        return peaks

    def _tune(self, work: Path, tell: Progress) -> "Tuned":
        from halfvolley.learn.finetune import fine_tune, make_halls_for
        from halfvolley.learn.footage import CutSettings

        made = self.home.folder / "computed" / FOLDER / f"made-{self.settings.seed}"
        make_halls_for(self.settings, made, tell)
        most = CutSettings().most
        own = self._examples("train", most, tell)
        validation = (
            self._examples("validation", most // 5, tell)
            if self.split.validation
            else own.take(np.zeros(0, np.int64))
        )
        work.mkdir(parents=True, exist_ok=True)
        return fine_tune(
            self.start_path, own, validation, made, work, self.settings, self.device, tell
        )

    # --- which is better ---------------------------------------------------------------------
    def _compare(self, tuned: "Tuned", work: Path, tell: Progress) -> Scores:
        """All that a session uses now, the start, and the new one on what was held out."""
        spans = self._spans("test")
        exams = []
        for labels in self.sets:
            session = self.by_name[labels.session]
            for entry in session.clips:
                mine = spans.get((labels.session, entry.name))
                if mine:
                    exams.append(exam_of_labels(session, entry, labels.labels, mine))
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
        notes = (self.split.words,) if self.split.leaky else ()
        clips = tuple(exam.entry.name for exam in exams)
        return Scores(self.home.folder, tuple(found), clips, notes)

    def _choose(self, tuned: "Tuned", scores: Scores, took_s: float) -> Trained:
        from halfvolley.learn.scoring import figures, gain

        worth = [figures(d.held["labels"]).worth for d in scores.detectors]
        best = scores.detectors[int(np.argmax(worth))].name  # the first of equals: what is used
        name = next_model(self.sessions)
        old, new = scores.detectors[0], scores.detectors[-1]
        card: dict[str, Any] = {
            "format": CARD_FORMAT,
            "file": name,
            "sha": tuned.sha,
            "date": time.strftime("%Y-%m-%d", time.gmtime()),
            "start": short_name(self.home, self.start),
            "labels": {p: _count(self.split.part(p)) for p in ("train", "validation", "test")},
            "split": self.split.words,
            "leaky": self.split.leaky,
            "spans": self._card_spans(),
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

    def _card_spans(self) -> dict[str, dict[str, Any]]:
        """By content of the footage: which frames were learned from, and which held out."""
        out: dict[str, dict[str, Any]] = {}
        card = read_card(self.start)
        for part in ("train", "validation", "test"):
            for (session, clip), spans in self._spans(part).items():
                content = self._content(session, clip)
                mine = out.setdefault(content, {"clip": clip})
                mine[part] = sorted({*spans, *spans_in(card, content, (part,))})
        return out


def _count(sets: Sequence[LabelSet]) -> int:
    return sum(len(labels.labels) for labels in sets)
