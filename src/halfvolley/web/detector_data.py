"""What the Detector screen shows: which there are, how good they were found, how training goes."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from halfvolley.errors import BadSession, HalfvolleyError, StorageError
from halfvolley.report.score import FOLDER as SCORES
from halfvolley.session.labels import read_labels
from halfvolley.session.models import FOLDER, read_card
from halfvolley.session.schema import Session
from halfvolley.session.train import need_torch
from halfvolley.session.unfinished import Unfinished, read_unfinished

Json = dict[str, Any]
SHIPPED = (
    ("auto", "What suits the clip", "the network, but not below 24 frames a second"),
    ("classical", "Motion, shape and colour", "learns the ball's look from the clip itself"),
    ("network", "The network", "has learned from made halls what a ball looks like"),
)
SHOWN = 8  # misses and false alarms of one detector


@dataclass(frozen=True, slots=True)
class Known:
    """One detector that could be used."""

    name: str  # as session.toml names it
    title: str
    words: str
    used: bool
    figures: Json | None  # of the newest comparison; None where it was not compared
    worst: dict[str, list[Json]]  # "missed" and "false": places in the footage


@dataclass(frozen=True, slots=True)
class Comparison:
    """The newest comparison."""

    notes: tuple[str, ...]
    known_by: str  # "labels", "truth" or "no ball"
    detectors: dict[str, Json]


@dataclass(frozen=True, slots=True)
class Teaching:
    """Whether and from what a detector can be taught, and how it goes."""

    trouble: str  # why no training can run here now; "" where it can
    ready: int  # labels to learn from
    by_people: int
    unfinished: Unfinished | None
    newest: Json | None  # card of the newest detector that was trained here


def read_comparison(folder: Path) -> Comparison | None:
    """The newest comparison of a session; None where there is none that can be read."""
    try:
        said = json.loads((folder / "report" / SCORES / "score.json").read_text(encoding="utf-8"))
        found = {d["detector"]: d for d in said["detectors"]}
        return Comparison(tuple(said["notes"]), str(said["known_by"]), found)
    except (OSError, ValueError, KeyError, TypeError):
        return None


def known_detectors(session: Session, compared: Comparison | None, suits: str = "") -> list[Known]:
    """All that can be used, the shipped ones first, then the session's own, the newest first.

    Parameters
    ----------
    session : Session
        As read.
    compared : Comparison, optional
        From which the figures are.
    suits : str
        Which one "auto" means here; "" where that is not known yet.
    """
    used = session.ball.detector
    models = sorted((session.folder / FOLDER).glob("*.onnx"), reverse=True)
    listed = [
        *SHIPPED, *((f"{FOLDER}/{path.name}", path.stem, _origin(path)) for path in models)
    ]  # fmt: skip
    own = {name: str(session.folder.absolute() / name) for name, *_ in listed}
    if used not in {name for name, *_ in listed} | set(own.values()):
        listed.append((used, Path(used).name, "a file that session.toml names"))
    return [_known(name, title, words, used in (name, own.get(name)), compared, suits)
            for name, title, words in listed]  # fmt: skip


def _known(
    name: str, title: str, words: str, used: bool, compared: Comparison | None, suits: str
) -> Known:
    same = suits if name == "auto" else name
    said = None if compared is None else compared.detectors.get(same)
    if compared is None or said is None:
        return Known(name, title, words, used, None, {})
    against = said["against"].get(compared.known_by)
    figures = None if against is None else against["figures"]
    worst = {how: places[:SHOWN] for how, places in said.get("worst", {}).items()}
    return Known(name, title, words, used, figures, worst)


def _origin(path: Path) -> str:
    card = read_card(str(path))
    if card is None:
        return "a file without a card"
    return f"taught here on {card['labels']['train']} labels, {card['date']}"


def read_teaching(session: Session) -> Teaching:
    """How training stands in a session."""
    try:
        need_torch()
        trouble = ""
    except HalfvolleyError as error:
        trouble = str(error)
    ready = by_people = 0
    try:
        ready, by_people = ready_labels(session.folder)
    except StorageError as error:
        trouble = trouble or str(error)
    cards = [read_card(str(p)) for p in sorted((session.folder / FOLDER).glob("*.onnx"))]
    newest = next((card for card in reversed(cards) if card is not None), None)
    return Teaching(trouble, ready, by_people, read_unfinished(session.folder), newest)


def ready_labels(folder: Path) -> tuple[int, int]:
    """Labels of a session to learn from, and how many of them people decided.

    Raises
    ------
    StorageError
        If they cannot be read.
    """
    try:
        usable = read_labels(folder).usable
    except BadSession:
        return 0, 0  # none yet, or session.toml cannot be used
    return len(usable), sum(label.by_person for label in usable)


def curve_points(points: Any) -> list[Json]:
    """A curve as the screen draws it: shares of 0-1 by what was held out, and the loss."""
    out = []
    for p in points:
        shares = {name: g["average_precision"] for name, g in p["goodness"].items()}
        loss = p["loss"] if p["step"] else None  # before the first step nothing was taught
        out.append({"step": p["step"], "loss": loss, **shares})
    return out
