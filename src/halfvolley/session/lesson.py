"""What a training learns from: the labels of some sessions, how they are divided, and the examples
that are cut from the footage around them."""

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from halfvolley.errors import BadInput
from halfvolley.session.labels import SPLIT_SEED, frames_at
from halfvolley.session.models import Spans, read_card, spans_in
from halfvolley.session.recording import probe_recording
from halfvolley.session.schema import Session
from halfvolley.session.store import ClipHashes, Store
from halfvolley.types import ByteImage, FloatArray, Label, LabelSet

if TYPE_CHECKING:
    from halfvolley.learn.finetune import TuneSettings
    from halfvolley.learn.made import Examples
    from halfvolley.learn.split import Part, Split, SplitBy

Progress = Callable[[str, float], None]
NEAR_FRAMES = 120  # a label so near to frames that were held out is held out too
DOUBTED = 0.05  # peaks of the start from this score on are looked at


class Lesson:
    """The labels of some sessions, divided.

    Parameters
    ----------
    sessions : sequence of Session
        As read.
    sets : sequence of LabelSet
        The labels of each.
    by : str
        What is never on two sides of the split.
    earlier : sequence of str
        Detectors whose own splits are kept: what they held out stays held out.

    Raises
    ------
    BadInput
        If there are too few labels or rallies, or nothing is left to learn from or to hold out.
    """

    def __init__(
        self, sessions: Sequence[Session], sets: Sequence[LabelSet], by: "SplitBy",
        earlier: Sequence[str],
    ) -> None:  # fmt: skip
        self.sessions, self.sets = sessions, sets
        self._by_name = {str(s.folder): s for s in sessions}
        self._hashes = {str(s.folder): ClipHashes(Store(s.folder)) for s in sessions}
        self._cards = [read_card(name) for name in dict.fromkeys(earlier)]
        self.split = self._divided(by)

    def count(self, part: "Part") -> int:
        """Labels of a part."""
        return sum(len(labels.labels) for labels in self.split.part(part))

    def _divided(self, by: "SplitBy") -> "Split":
        from halfvolley.learn.split import SplitSettings, count_groups, keep_split

        settings = SplitSettings(by)
        if count_groups(self.sets, by) == 2:
            # one to learn from, one to compare with, none to choose with
            settings = SplitSettings(by, (0.7, 0.0, 0.3))
        split = keep_split(
            self.sets, self._earlier_part, settings, rng=np.random.default_rng(SPLIT_SEED)
        )
        if not (split.train and split.test):
            raise BadInput(
                "an earlier training has learned from all of these labels or held all of them "
                "out; add footage, or begin from another detector with --start network"
            )
        return split

    def _earlier_part(self, labels: LabelSet, label: Label) -> "Part | None":
        """Where an earlier training had a label, or what lies near it in time."""
        from halfvolley.learn.split import PARTS

        content = self.content(labels.session, label.clip)
        best = NEAR_FRAMES + 1
        found: Part | None = None
        for part in PARTS:
            for first, last in self._earlier_spans(content, part):
                away = max(first - label.frame, label.frame - last, 0)
                if away < best:
                    best, found = away, part
        return found

    def _earlier_spans(self, content: str, part: "Part") -> Spans:
        return [span for card in self._cards for span in spans_in(card, content, (part,))]

    def content(self, session: str, clip: str) -> str:
        """Hash of a clip's content."""
        return self._hashes[session].of(self._by_name[session].clip(clip).path)

    def spans(self, part: "Part") -> dict[tuple[str, str], Spans]:
        """Frames of a part by session and clip: from the first to the last label of each rally."""
        out: dict[tuple[str, str], dict[int | None, list[int]]] = {}
        for labels in self.split.part(part):
            for label in labels.labels:
                group = label.frame if self.split.leaky else label.rally
                rallies = out.setdefault((labels.session, label.clip), {})
                rallies.setdefault(group, []).append(label.frame)
        return {
            where: sorted((min(f), max(f)) for f in rallies.values())
            for where, rallies in out.items()
        }

    def card_spans(self) -> dict[str, dict[str, Any]]:
        """By content of the footage: which frames were learned from, and which held out."""
        from halfvolley.learn.split import PARTS

        out: dict[str, dict[str, Any]] = {}
        for part in PARTS:
            for (session, clip), spans in self.spans(part).items():
                content = self.content(session, clip)
                mine = out.setdefault(content, {"clip": clip})
                mine[part] = sorted({*spans, *self._earlier_spans(content, part)})
        return out

    def key(self, start: Path, settings: "TuneSettings") -> str:
        """Names a training: the same labels, split, start and settings give the same name."""
        from halfvolley.learn.split import PARTS

        said = {
            "start": hashlib.sha256(start.read_bytes()).hexdigest(),
            "settings": asdict(settings),
            "by": self.split.by,
            "parts": [
                [
                    [self.content(labels.session, x.clip), x.frame, x.kind, x.uv_px, x.radius_px]
                    for labels in self.split.part(part)
                    for x in labels.labels
                ]
                for part in PARTS
            ],
        }
        return hashlib.blake2b(json.dumps(said).encode(), digest_size=10).hexdigest()

    def examples(
        self, part: "Part", start: Path, most: int, seed: int, tell: Progress
    ) -> "Examples | None":
        """Examples of a part, cut from the footage; None where the part has no label.

        Parameters
        ----------
        part : str
            Of the split.
        start : Path
            Detector: what it finds and no label speaks of counts neither way.
        most : int
            Examples, at most.
        seed : int
            Source of all chance.
        tell : callable
            Told what is being done and which share of it is done.
        """
        from halfvolley.learn.footage import CutSettings, cut_examples, frames_for, thinned
        from halfvolley.learn.made import joined

        cut = CutSettings()
        total = max(self.count(part), 1)
        repeat = int(np.clip(most // total, 1, cut.each))
        out = []
        for labels in self.split.part(part):
            session = self._by_name[labels.session]
            known = next(s for s in self.sets if s.session == labels.session).labels
            for clip in sorted({label.clip for label in labels.labels}):
                own = [label for label in labels.labels if label.clip == clip]
                chosen = thinned(own, max(round(most * len(own) / total), 1))
                text = f"{clip}: cutting examples"
                frames = frames_at(
                    probe_recording(session.clip(clip).files), frames_for(chosen, cut.frames),
                    lambda share, text=text: tell(text, share),  # type: ignore[misc]
                )  # fmt: skip
                beside = [label for label in known if label.clip == clip]
                out.append(
                    cut_examples(
                        chosen, beside, frames, cut, np.random.default_rng(seed), repeat=repeat,
                        peaks=_peaks(start),
                    )
                )  # fmt: skip
        return joined(out) if out else None


def _peaks(start: Path) -> Callable[[ByteImage, ByteImage], list[FloatArray]]:
    """What a detector finds in examples."""
    from halfvolley.ball import maps
    from halfvolley.ball.network import load_detector

    detector = load_detector(start)
    f = detector.frames

    def peaks(luma: ByteImage, chroma: ByteImage) -> list[FloatArray]:
        found = detector.maps(luma[:, -f:], chroma[:, -2 * f :])
        return [maps.peaks(one, detector.stride, DOUBTED) for one in found]

    return peaks
