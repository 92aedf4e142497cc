"""Which finder a session asks for, and what of it belongs to the key of a result."""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from halfvolley.constants import SHIPPED_NETWORK
from halfvolley.session.schema import BallFacts
from halfvolley.types import ClipInfo, FloatArray

if TYPE_CHECKING:
    from halfvolley.ball import BallFinder, RadiusMap

AUTO = "network"  # what "auto" means, but for
SLOW_FPS = 24.0  # clips slower than cameras are, which the network has not learned


def ball_facts(ball: BallFacts) -> dict[str, Any]:
    """The ball itself, as stages after the search depend on it."""
    return {"radius_m": ball.radius_m}


def detector_said(ball: BallFacts) -> dict[str, Any]:
    """The ball and what finds it: the classical finder, or a network by its content."""
    facts = ball_facts(ball)
    if ball.detector == "auto":
        facts["detector"] = f"auto {_sha(_path_of(AUTO))}"
    elif ball.detector != "classical":
        facts["detector"] = _sha(_path_of(ball.detector))
    return facts


def _path_of(chosen: str) -> Path:
    return SHIPPED_NETWORK if chosen == "network" else Path(chosen)


def _sha(path: Path) -> str:
    try:
        facts = path.stat()
        return _sha_of(path, facts.st_size, facts.st_mtime_ns)
    except OSError:
        return "missing"  # said in words when it is loaded


@cache
def _sha_of(path: Path, size: int, changed_ns: int) -> str:
    del size, changed_ns
    return hashlib.sha256(path.read_bytes()).hexdigest()[:16]


@dataclass(frozen=True, slots=True, eq=False)
class MadeFinder:
    """The finder of a session, and what is to be said of it."""

    finder: "BallFinder"
    name: str  # "classical finder", or the network's file
    device: str  # where it runs, in a word
    warnings: tuple[str, ...]  # one plain sentence for each thing a person should know


def suiting(info: ClipInfo) -> str:
    """What "auto" means for a clip."""
    return AUTO if info.frame_interval_s * SLOW_FPS < 1.0 else "classical"


def make_finder(
    detector: str, info: ClipInfo, *, masks: Iterable[FloatArray],
    expected_radius: "RadiusMap | None", waiting: int,
) -> MadeFinder:  # fmt: skip
    """The finder that a session asks for.

    Parameters
    ----------
    detector : str
        "auto", "classical", "network", or the path of a detector's file.
    info : ClipInfo
        The clip.
    masks, expected_radius, waiting
        As for `BallFinder`.

    Raises
    ------
    BadInput
        If the detector's file cannot be used.
    """
    from halfvolley.ball import BallFinder

    chosen = suiting(info) if detector == "auto" else detector
    if chosen == "classical":
        finder = BallFinder(info, masks=masks, expected_radius=expected_radius, waiting=waiting)
        return MadeFinder(finder, "classical finder", "CPU", ())
    from halfvolley.ball.network import load_detector
    from halfvolley.ball.network_finder import NetworkFinder

    network = load_detector(_path_of(chosen))
    finder = NetworkFinder(
        info, network, masks=masks, expected_radius=expected_radius, waiting=waiting
    )
    return MadeFinder(finder, f"network {network.path.name}", network.device, network.warnings)
