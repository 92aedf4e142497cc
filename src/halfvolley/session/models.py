"""Detectors of a session: files and cards in models/, and which one the session uses.

A card says from which frames a detector has learned, so that no score is made from these unsaid.
"""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from halfvolley.errors import BadInput
from halfvolley.session.detector import AUTO
from halfvolley.session.edit import set_words
from halfvolley.session.files import write_atomic
from halfvolley.session.schema import DETECTORS, Session, read_session

FOLDER = "models"
CARD_FORMAT = "halfvolley-detector-card-2"
LEARNED = ("train", "validation")  # the latter chose the weights

Spans = list[tuple[int, int]]  # first and last frame


def current_detector(session: Session) -> str:
    """What finds the ball in a session now: "classical", "network" or the path of a file."""
    return AUTO if session.ball.detector == "auto" else session.ball.detector


def named_detector(session: Session, name: str) -> str:
    """A detector as a person names it: a word, or a file seen from the session or from here.

    Raises
    ------
    BadInput
        If there is no such file, or it is no detector.
    """
    if name == "auto":
        return AUTO
    if name in DETECTORS:
        return name
    from halfvolley.ball.network import load_detector

    places = [session.folder / name, Path(name)]
    path = next((place for place in places if place.is_file()), None)
    if path is None:
        there = [f"{FOLDER}/{p.name}" for p in sorted((session.folder / FOLDER).glob("*.onnx"))]
        raise BadInput(
            f"no detector is named {name!r}; there are classical, network"
            + "".join(f", {said}" for said in there)
        )
    load_detector(path)
    return str(path.absolute())


def short_name(session: Session, detector: str) -> str:
    """A detector as session.toml names it: from the session folder where it lies there."""
    if detector in DETECTORS:
        return detector
    path, home = Path(detector).absolute(), session.folder.absolute()
    return path.relative_to(home).as_posix() if path.is_relative_to(home) else str(path)


def use_detector(session: Session, detector: str) -> Session:
    """Write into session.toml what finds the ball from now on.

    Raises
    ------
    BadInput
        If it is none.
    StorageError
        If the file cannot be written.
    """
    if detector != "auto":  # a word of its own: what suits each clip
        detector = short_name(session, named_detector(session, detector))
    return set_words(session, "ball", detector=detector)


def use_in_sessions(folders: Sequence[Path | str], detector: str) -> list[str]:
    """The same for several sessions, by a name as a person says it; what was done, in words.

    Raises
    ------
    BadInput
        If it is no detector; sessions before the one without it have been changed then.
    BadSession
        If a folder is no session.
    StorageError
        If a file cannot be written.
    """
    out = []
    for session in [read_session(folder) for folder in folders]:
        before = short_name(session, current_detector(session))
        after = use_detector(session, detector)
        now = short_name(after, current_detector(after))
        out.append(
            f"{session.folder} uses {now} from now on (it was {before}). Next: halfvolley measure "
            f"{session.folder}"
        )
    return out


def next_model(sessions: Sequence[Session]) -> str:
    """File name of the next detector, free in all sessions."""
    number = 1
    while any((s.folder / FOLDER / f"detector-{number:02d}.onnx").exists() for s in sessions):
        number += 1
    return f"detector-{number:02d}.onnx"


def keep_model(session: Session, name: str, content: bytes, card: dict[str, Any]) -> Path:
    """Put a detector and its card into a session; the card first, so that none is without.

    Raises
    ------
    StorageError
        If they cannot be written.
    """
    path = session.folder / FOLDER / name
    write_atomic(card_path(path), json.dumps(card, indent=1))
    write_atomic(path, content)
    return path


def card_path(detector: Path | str) -> Path:
    """Where the card of a detector's file lies."""
    return Path(detector).with_suffix(".json")


def read_card(detector: str) -> dict[str, Any] | None:
    """The card of a detector that was trained here; None where there is none."""
    if detector in DETECTORS:
        return None
    try:
        card = json.loads(card_path(detector).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    good = isinstance(card, dict) and card.get("format") == CARD_FORMAT
    return card if good else None


def spans_in(card: dict[str, Any] | None, content: str, parts: Sequence[str]) -> Spans:
    """Frames of some footage that a detector's training used in given parts of its split.

    Parameters
    ----------
    card : dict, optional
        Of the detector.
    content : str
        Hash of the footage.
    parts : sequence of str
        Of "train", "validation" and "test".
    """
    if card is None:
        return []
    of_clip = card["spans"].get(content, {})
    return [(int(a), int(b)) for part in parts for a, b in of_clip.get(part, [])]
