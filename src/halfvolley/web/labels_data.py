"""Labels as the Labels screen lists them, and a person's decisions on them."""

import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from halfvolley.errors import BadInput
from halfvolley.learn.queue import Queued, review_queue
from halfvolley.report.labels import crop_side_px
from halfvolley.session.labels import open_labels, read_labels
from halfvolley.types import Label, LabelSet

Json = dict[str, Any]
MOST = 400  # labels of one list; the rest follows when these are done
LISTS = ("review", "ball", "other", "person")


@dataclass(frozen=True, slots=True)
class Listed:
    """One list of labels and how far the work is."""

    rows: list[Json]
    waiting: int
    ready: int  # accepted, for training
    by_people: int


def list_labels(folder: Path, which: str) -> Listed:
    """Labels of one of `LISTS`: waiting, called the ball, called something else, decided by people.

    Raises
    ------
    BadSession
        If the session has no labels.
    """
    labels = read_labels(folder)
    queue = review_queue(labels.labels)
    if which == "review":
        rows = [_row(q.label, q) for q in queue[:MOST]]
    else:
        chosen = _least_sure(labels, which)[:MOST]
        if which != "person":  # neighbours in time are quickly shown one after the other
            chosen.sort(key=lambda label: (label.clip, label.frame))
        rows = [_row(label, None) for label in chosen]
    return Listed(
        rows, len(queue), len(labels.usable), sum(label.by_person for label in labels.labels)
    )


def _least_sure(labels: LabelSet, which: str) -> list[Label]:
    chosen = {
        "ball": [x for x in labels.usable if x.is_ball and not x.by_person],
        "other": [x for x in labels.usable if not x.is_ball and not x.by_person],
        "person": [x for x in labels.labels if x.by_person],
    }[which]
    if which == "person":
        return sorted(chosen, key=lambda x: -x.when_s)
    return sorted(chosen, key=lambda x: (x.confidence, x.clip, x.frame))


def _row(label: Label, queued: Queued | None) -> Json:
    return {
        "id": label.label_id, "clip": label.clip, "frame": label.frame, "t": label.t_s,
        "kind": label.kind, "uv": label.uv_px, "r": label.radius_px, "streak": label.streak_px,
        "origin": label.origin, "sure": label.confidence, "decision": label.decision,
        "who": label.who, "why": label.why, "side": round(crop_side_px(label), 2),
        "worth": None if queued is None else queued.doubt * queued.use,
    }  # fmt: skip


def decide(folder: Path, said: Json, who: str) -> None:
    """A person's word on one label, on the disk when this returns.

    Parameters
    ----------
    folder : Path
        The session's.
    said : dict
        "id" of the label; "act": right, wrong, moved or none; "uv" where it was moved to.
    who : str
        The person.

    Raises
    ------
    BadInput, StorageError
        If it cannot be written.
    """
    now_s = time.time()
    label_id, act = int(said["id"]), said["act"]
    with open_labels(folder) as store:
        if act == "right":
            store.decide(label_id, "accepted", who=who, when_s=now_s)
        elif act == "wrong":
            store.decide(label_id, "rejected", who=who, when_s=now_s)
        elif act == "moved":
            u, v = (float(x) for x in said["uv"])
            store.decide(
                label_id, "accepted", who=who, when_s=now_s, uv_px=(u, v), origin="hand",
                kind="positive",
            )  # fmt: skip
        elif act == "none":
            store.decide(
                label_id, "accepted", who=who, when_s=now_s, kind="none", uv_px=None,
                radius_px=None, streak_px=None, origin="hand",
            )  # fmt: skip
        else:
            raise BadInput(f"a label is right, wrong, moved or none, not {act!r}")


def take_back(folder: Path, who: str) -> None:
    """Undo the newest decision of a person.

    Raises
    ------
    BadInput
        If the newest change was made by somebody else, or by a harvest.
    """
    with open_labels(folder) as store:
        left = [step for step in store.steps() if not step.undone]
        if not left or left[-1].who != who:
            raise BadInput("the newest change is not yours; nothing was taken back")
        store.undo()
