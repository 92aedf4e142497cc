"""A training that runs or was stopped: what it was told, and how far it has come.

Read without PyTorch, so that it can be watched from any program.
"""

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from halfvolley.session.files import storing, write_atomic

FOLDER = "training"  # within computed/: what may be thrown away
GIVEN_UP = "given-up"  # beside it
CHECKPOINT, SAID = "checkpoint.npz", "training.json"


@dataclass(frozen=True, slots=True)
class Unfinished:
    """A training with its newest checkpoint."""

    settings: dict[str, Any]  # as `tune_settings` takes them
    split_by: str
    start: str  # detector it began from
    device: str
    labels: dict[str, int]  # by part of the split
    step: int
    took_s: float
    curve: tuple[dict[str, Any], ...]  # points as the card of a detector holds them
    sessions: tuple[str, ...] = ()  # folders of all that it learns from

    @property
    def share(self) -> float:
        """Which part of its steps or minutes is done, at the checkpoint."""
        by_time = self.took_s / max(60.0 * float(self.settings["minutes"]), 1e-9)
        return min(max(self.step / max(int(self.settings["steps"]), 1), by_time), 1.0)

    @property
    def left_s(self) -> float | None:
        """How long it would go on from there [s]; None before anything tells."""
        return None if self.share <= 0.0 else self.took_s * (1.0 - self.share) / self.share


def note_training(work: Path, said: dict[str, Any]) -> None:
    """Write beside the checkpoint what a training was told.

    Raises
    ------
    StorageError
        If it cannot be written.
    """
    write_atomic(work / SAID, json.dumps(said, indent=1))


def read_unfinished(folder: Path | str) -> Unfinished | None:
    """The training of a session that runs, or from which the next one goes on.

    Parameters
    ----------
    folder : Path or str
        The session folder.

    Returns
    -------
    Unfinished or None
        None where nothing is under way. The newest, where several were stopped.
    """
    places = (Path(folder) / "computed" / FOLDER).glob(f"*/{SAID}")
    try:
        newest = max(places, key=lambda path: path.stat().st_mtime_ns)
        said = json.loads(newest.read_text(encoding="utf-8"))
        said["sessions"] = tuple(said.get("sessions", ()))
        return Unfinished(**said, **_checkpoint(newest.with_name(CHECKPOINT)))
    except (OSError, ValueError, TypeError):
        return None  # none, or taken away while it was read


def give_up_unfinished(folder: Path | str) -> None:
    """Put trainings that were stopped aside; those put aside before are thrown away.

    Raises
    ------
    StorageError
        If one cannot be moved.
    """
    computed = Path(folder) / "computed"
    with storing(computed / GIVEN_UP):
        shutil.rmtree(computed / GIVEN_UP, ignore_errors=True)
        _move_all(computed / FOLDER, computed / GIVEN_UP)


def take_up_again(folder: Path | str) -> None:
    """Bring back what was given up last.

    Raises
    ------
    StorageError
        If it cannot be moved.
    """
    computed = Path(folder) / "computed"
    with storing(computed / FOLDER):
        _move_all(computed / GIVEN_UP, computed / FOLDER)


def is_given_up(folder: Path | str) -> bool:
    """Whether there is something to take up again."""
    return any((Path(folder) / "computed" / GIVEN_UP).glob(f"*/{SAID}"))


def _move_all(source: Path, target: Path) -> None:
    for said in list(source.glob(f"*/{SAID}")):
        target.mkdir(parents=True, exist_ok=True)
        shutil.rmtree(target / said.parent.name, ignore_errors=True)
        said.parent.rename(target / said.parent.name)


def _checkpoint(path: Path) -> dict[str, Any]:
    """Steps, time and curve; zeros before the first checkpoint, or where it is damaged."""
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as data:
            said = json.loads(str(data["said"]))
        return {
            "step": int(said["step"]),
            "took_s": float(said["took_s"]),
            "curve": tuple(said["curve"]),
        }
    except Exception:  # whatever is wrong with it, training begins anew
        return {"step": 0, "took_s": 0.0, "curve": ()}
