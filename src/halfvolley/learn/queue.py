"""The review queue: what a person should look at, most doubtful and most useful first.

A label is doubtful where its confidence is far from both 0 and 1. It is useful where a detector
can learn from it what it does not know yet: a ball that nobody found, a moment far from all that is
settled, and not much the same as something in front of it in the queue.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halfvolley.types import FloatArray, Label, LabelKind

SPREAD_S = 0.5  # two labels nearer in time than this teach much the same
AGAIN = 0.3  # what the second of two such labels is worth
NEW_S = 2.0  # a moment this far from every settled label is new
OLD = 0.5  # what a label amid settled ones is worth
WORTH: dict[LabelKind, float] = {"recovered": 1.0, "none": 0.9, "positive": 0.8, "negative": 0.6}
"""How much a detector learns: most from what it missed, least from one more thing that is none."""


@dataclass(frozen=True, slots=True)
class Queued:
    """A label that waits for a person."""

    label: Label
    doubt: float  # 0-1, 1 where it is as likely true as not
    use: float  # 0-1, by what it teaches beyond the settled labels


def review_queue(labels: Sequence[Label]) -> tuple[Queued, ...]:
    """Open labels in the order in which a person should see them.

    Parameters
    ----------
    labels : sequence of Label
        All labels of a session; the settled ones say what is known already.

    Returns
    -------
    tuple of Queued
        Most doubtful and most useful first; of labels less than `SPREAD_S` apart, all but the
        first are put back, so that the first twenty are twenty different sights.
    """
    waiting = [label for label in labels if label.decision == "open"]
    doubt = np.array([_entropy_bits(label.confidence) for label in waiting])
    use = _use(waiting, [label for label in labels if label.decision == "accepted"])
    rank = doubt * use
    clip = np.unique([label.clip for label in waiting], return_inverse=True)[1]
    t_s = np.array([label.t_s for label in waiting])
    left = np.ones(len(waiting), bool)
    out = []
    for _ in waiting:
        i = int(np.argmax(np.where(left, rank, -1.0)))
        left[i] = False
        rank[(clip == clip[i]) & (np.abs(t_s - t_s[i]) < SPREAD_S)] *= AGAIN
        out.append(Queued(waiting[i], float(doubt[i]), float(use[i])))
    return tuple(out)


def _entropy_bits(p: float) -> float:
    """How unsure a claim is that holds with probability p."""
    p = min(max(p, 1e-6), 1.0 - 1e-6)
    return float(-p * np.log2(p) - (1.0 - p) * np.log2(1.0 - p))


def _use(waiting: Sequence[Label], settled: Sequence[Label]) -> FloatArray:
    times: dict[str, list[float]] = {}
    for label in settled:
        times.setdefault(label.clip, []).append(label.t_s)
    known = {clip: np.sort(t) for clip, t in times.items()}
    out = np.empty(len(waiting))
    for i, label in enumerate(waiting):
        t = known.get(label.clip, np.zeros(0))
        k = np.searchsorted(t, label.t_s)
        apart = np.abs(t[max(k - 1, 0) : k + 1] - label.t_s)
        new = min(float(apart.min()) / NEW_S, 1.0) if len(apart) else 1.0
        out[i] = WORTH[label.kind] * (OLD + (1.0 - OLD) * new)
    return out
