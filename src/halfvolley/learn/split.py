"""Which labels train, which choose, which test: by rally, clip or hall, never by neighbours.

Neighbouring frames show nearly the same picture. With some of them in training and some in the
test, a score says how well pictures are remembered; such a split exists here only by its name,
and is called leaky wherever it shows.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from halfvolley.errors import BadInput
from halfvolley.types import Label, LabelSet

SplitBy = Literal["rally", "clip", "hall", "frame"]
Part = Literal["train", "validation", "test"]
PARTS: tuple[Part, ...] = get_args(Part)
FEWEST_LABELS = 50


@dataclass(frozen=True, slots=True)
class SplitSettings:
    """How labels are divided."""

    by: SplitBy = "rally"  # what is never on two sides
    shares: tuple[float, float, float] = (0.7, 0.15, 0.15)  # of the labels: train, validation, test


@dataclass(frozen=True, slots=True)
class Split:
    """Accepted labels of some sessions in three parts."""

    by: SplitBy
    train: tuple[LabelSet, ...]
    validation: tuple[LabelSet, ...]
    test: tuple[LabelSet, ...]

    @property
    def leaky(self) -> bool:
        """Whether nearly the same picture may be on both sides."""
        return self.by == "frame"

    @property
    def words(self) -> str:
        """What every score made from it must say."""
        if self.leaky:
            return "LEAKY: split by random frames, scores are too good"
        return f"split by {self.by}"

    def part(self, name: Part) -> tuple[LabelSet, ...]:
        """One part by its name."""
        parts = {"train": self.train, "validation": self.validation, "test": self.test}
        return parts[name]


Group = tuple[str, ...]


def split_labels(
    sets: Sequence[LabelSet],
    settings: SplitSettings | None = None,
    *,
    rng: np.random.Generator,
) -> Split:
    """Divide the accepted labels of some sessions.

    Parameters
    ----------
    sets : sequence of LabelSet
        One a session.
    settings : SplitSettings, optional
        By what, and in which shares.
    rng : numpy.random.Generator
        Chooses which groups go where.

    Returns
    -------
    Split
        Whole groups in each part, so that shares are met as nearly as these allow. Every part with
        a share above 0 has at least one group.

    Raises
    ------
    BadInput
        If there are fewer than `FEWEST_LABELS` accepted labels, or fewer groups than parts.
    """
    s = settings or SplitSettings()
    if s.by not in get_args(SplitBy):
        raise BadInput(f"labels cannot be split by {s.by!r}; choose {', '.join(get_args(SplitBy))}")
    shares = np.array(s.shares, dtype=np.float64)
    if shares.shape != (3,) or not np.all(shares >= 0.0) or abs(shares.sum() - 1.0) > 1e-6:
        raise BadInput(f"the shares {s.shares} of a split must be three numbers that sum to 1")
    groups: dict[Group, list[tuple[int, Label]]] = {}
    for i, labels in enumerate(sets):
        for label in labels.usable:
            groups.setdefault(_group(labels, label, s.by), []).append((i, label))
    total = sum(len(members) for members in groups.values())
    if total < FEWEST_LABELS:
        raise BadInput(_few(total))
    asked = int(np.count_nonzero(shares))
    if len(groups) < asked:
        raise BadInput(_too_few(len(groups), asked, s.by))
    parts = _assign(groups, shares, rng)
    chosen = [_sets(sets, members) for members in parts]
    return Split(s.by, *chosen)


def keep_split(
    sets: Sequence[LabelSet],
    part_of: Callable[[LabelSet, Label], Part | None],
    settings: SplitSettings,
    *,
    rng: np.random.Generator,
) -> Split:
    """Divide labels as an earlier training did; only those that it did not know are divided anew.

    Parameters
    ----------
    sets : sequence of LabelSet
        One a session.
    part_of : callable
        The part in which an earlier training had a label; None where it knew nothing of it.
    settings, rng
        As for `split_labels`, for the rest. A rest that cannot be divided is learned from.

    Returns
    -------
    Split
        What was held out before stays held out.

    Raises
    ------
    BadInput
        If there are fewer than `FEWEST_LABELS` accepted labels.
    """
    members: list[list[tuple[int, Label]]] = [[], [], []]
    rest: list[LabelSet] = []
    for i, labels in enumerate(sets):
        parts = [(label, part_of(labels, label)) for label in labels.usable]
        for label, part in parts:
            if part is not None:
                members[PARTS.index(part)].append((i, label))
        free = tuple(label for label, part in parts if part is None)
        rest.append(LabelSet(labels.session, labels.hall, free))
    total = sum(len(labels.usable) for labels in sets)
    if total < FEWEST_LABELS:
        raise BadInput(_few(total))
    if not any(members):
        return split_labels(sets, settings, rng=rng)
    try:
        fresh = split_labels(rest, settings, rng=rng)
        more = {part: fresh.part(part) for part in PARTS}
    except BadInput:
        more = {"train": tuple(rest), "validation": (), "test": ()}
    for k, part in enumerate(PARTS):
        for labels in more[part]:
            i = next(i for i, s in enumerate(sets) if s.session == labels.session)
            members[k] += [(i, label) for label in labels.usable]
    return Split(settings.by, *(_sets(sets, chosen) for chosen in members))


def count_groups(sets: Sequence[LabelSet], by: SplitBy) -> int:
    """How many rallies, clips, halls or frames accepted labels are of."""
    return len({_group(labels, label, by) for labels in sets for label in labels.usable})


def _few(n: int) -> str:
    return (
        f"there are {n} accepted labels, at least {FEWEST_LABELS} are needed; harvest a "
        "longer clip or review more of the queue"
    )


def _group(labels: LabelSet, label: Label, by: SplitBy) -> Group:
    """What must stay together."""
    clip = (labels.session, label.clip)
    if by == "hall":
        return (labels.hall or f"session {labels.session}",)
    if by == "clip":
        return clip
    if by == "rally":
        return (*clip, "none" if label.rally is None else str(label.rally))
    return (*clip, str(label.frame))


def _too_few(n: int, asked: int, by: SplitBy) -> str:
    seen = {"rally": "rally", "clip": "clip", "hall": "hall", "frame": "frame"}[by]
    plural = {"rally": "rallies", "clip": "clips", "hall": "halls", "frame": "frames"}[by]
    one = f"all labels are of one {seen}" if n == 1 else f"the labels are of {n} {plural}"
    return (
        f"{one}, a split by {by} into {asked} parts needs {asked}; add footage, or set the share "
        "of a part to 0"
    )


def _assign(
    groups: dict[Group, list[tuple[int, Label]]], shares: "np.ndarray", rng: np.random.Generator
) -> list[list[tuple[int, Label]]]:
    """Groups in random order, each to the part that lacks most; every part asked for gets one."""
    names = sorted(groups)
    order = [names[i] for i in rng.permutation(len(names))]
    total = sum(len(groups[name]) for name in names)
    parts: list[list[tuple[int, Label]]] = [[], [], []]
    for position, name in enumerate(order):
        lack = shares - np.array([len(part) for part in parts]) / total
        lack[shares == 0.0] = -np.inf
        empty = [i for i in range(3) if shares[i] > 0.0 and not parts[i]]
        if len(empty) == len(order) - position:  # just enough groups are left
            lack[[i for i in range(3) if i not in empty]] = -np.inf
        parts[int(np.argmax(lack))] += groups[name]
    return parts


def _sets(sets: Sequence[LabelSet], members: list[tuple[int, Label]]) -> tuple[LabelSet, ...]:
    """Chosen labels by session again."""
    out = []
    for i, labels in enumerate(sets):
        own = sorted(
            (label for k, label in members if k == i), key=lambda x: (x.clip, x.frame, x.label_id)
        )
        if own:
            out.append(LabelSet(labels.session, labels.hall, tuple(own)))
    return tuple(out)
