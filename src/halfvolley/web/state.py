"""Where a session stands, in plain words for pages."""

import datetime
from dataclasses import dataclass
from pathlib import Path

from halfvolley.errors import HalfvolleyError
from halfvolley.session.manifest import read_manifest
from halfvolley.session.pipeline import Step, plan_measure
from halfvolley.session.schema import Session, read_session
from halfvolley.session.store import ClipHashes, Store

NAMES = {
    "probe": "File", "camera": "Camera", "scan": "Ball", "track": "Traces", "flight": "Flights",
    "match": "Rallies", "marks": "Marks", "drops": "Drops", "tables": "Results",
}  # fmt: skip
SHOWS = {
    "play": "games or rallies", "serves": "serves that nobody returns",
    "feed": "balls fed by a machine or a coach", "drop": "a ball dropped on the table",
    "marks": "a ball laid on the marks",
}  # fmt: skip
"""What a clip can show, by its kind in session.toml."""


@dataclass(frozen=True, slots=True)
class StageState:
    """One stage of a session, over all of its clips."""

    name: str
    done: bool
    why: str  # it must run; "" where done


@dataclass(frozen=True, slots=True)
class SessionState:
    """A session as Home and the bar of its own screens show it."""

    folder: Path
    title: str
    venue: str
    session: Session | None  # None: session.toml cannot be used
    trouble: str  # in that case, why
    when: str  # day of the newest clip
    stages: tuple[StageState, ...]
    doubts: tuple[str, ...]
    measured: bool  # there is a complete result, perhaps an old one

    @property
    def due(self) -> tuple[StageState, ...]:
        """What would run."""
        return tuple(stage for stage in self.stages if not stage.done)

    @property
    def words(self) -> str:
        """In a few words."""
        if self.trouble:
            return "cannot be used"
        if not self.due:
            return "measured, up to date"
        if self.measured:
            return "changed since it was measured"
        if all(not stage.done for stage in self.stages):
            return "new"
        return "measured in part"


def session_state(folder: Path, title: str) -> SessionState:
    """Where a session stands; nothing is computed and no clip is read."""
    try:
        session = read_session(folder)
        steps = _steps(session)
    except HalfvolleyError as error:
        return SessionState(folder, title, "", None, str(error), "", (), (), False)
    manifest = read_manifest(folder)
    doubts: list[str] = []
    if manifest is not None:
        for name, said in manifest["clips"].items():
            doubts += [f"{name}: {words}" for words in said["warnings"]]
        doubts += [f"{name}: {why}" for name, why in manifest["not_measured"].items()]
    return SessionState(
        folder, title, session.venue, session, "", _when(session), _stages(steps), tuple(doubts),
        manifest is not None,
    )  # fmt: skip


def _steps(session: Session) -> tuple[Step, ...]:
    """As `plan_measure`, but a large clip that was never read is not read for it."""
    hashes = ClipHashes(Store(session.folder))
    fresh = [e.name for e in session.clips if not all(hashes.is_quick(f) for f in e.files)]
    if not fresh:
        return plan_measure(session.folder)
    stages = ("probe", "camera", "scan", "track", "flight", "match", "tables")
    return tuple(Step(fresh[0], name, ("not run yet",)) for name in stages)


def _stages(steps: tuple[Step, ...]) -> tuple[StageState, ...]:
    why: dict[str, list[str]] = {}
    for step in steps:
        words = why.setdefault(NAMES[step.stage], [])
        words += [f"{step.clip}: {w}" if step.clip else w for w in step.why]
    return tuple(StageState(name, not words, "; ".join(words)) for name, words in why.items())


def _when(session: Session) -> str:
    times = [entry.path.stat().st_mtime for entry in session.clips if entry.path.is_file()]
    if not times:
        return "clip not found"
    return f"{datetime.datetime.fromtimestamp(max(times)):%d %B %Y}".lstrip("0")
