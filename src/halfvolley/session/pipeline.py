"""The main job: an ordered table of stages, and the loop that runs those that are out of date.

    clip -> probe -> camera -> scan -> track -> flight -> match -> tables
                                 marks           drops

Each stage depends on a few words of session.toml and on the results of earlier stages, and on
nothing else; `marks` and `drops` run for clips of that kind only. A result is kept under the hash
of all these, so that a stage runs again when, and only when, one of them changed.
"""

import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from halfvolley.errors import (
    BadInput,
    BadSession,
    FootageError,
    HalfvolleyError,
    StorageError,
    Unknown,
)
from halfvolley.session import stages
from halfvolley.session.columns import TABLES_VERSION
from halfvolley.session.detector import ball_facts, detector_said
from halfvolley.session.manifest import read_manifest
from halfvolley.session.recording import Recording
from halfvolley.session.schema import CLIP_KINDS, ClipEntry, Session, read_session
from halfvolley.session.store import ClipHashes, Parts, Store
from halfvolley.types import Flights, Play, Tracks

Said = Callable[[Session, ClipEntry], dict[str, Any]]
Progress = Callable[[str, float], None]  # what is being done, and which share of it is done


@dataclass(frozen=True, slots=True)
class Stage:
    """One step of the main job for one clip.

    Raise `version` whenever the results of a stage may change: it makes kept ones stale.
    """

    name: str
    version: int
    needs: tuple[str, ...]  # earlier stages, in the order of the arguments of `run`
    said: Said  # the part of session.toml it depends on
    run: stages.Run
    doing: str  # for the progress line
    kinds: tuple[str, ...] = CLIP_KINDS  # of clips that it is for


def _nothing(session: Session, entry: ClipEntry) -> dict[str, Any]:
    return {}


def _touches(session: Session, entry: ClipEntry) -> dict[str, Any]:
    """A person's word on touches of a clip; nothing where there is none."""
    words = [[w.t_s, w.was, w.player] for w in session.touches if w.clip == entry.name]
    return {"touches": words} if words else {}


STAGES = (
    Stage("probe", 1, (), _nothing, stages.probe, "looking at the file"),
    Stage(
        "camera", 7, ("probe",),
        lambda s, c: {"corners_px": c.corners_px, "end_a": c.end_a, "table": c.table},
        stages.camera, "finding the table",
    ),
    Stage(
        "scan", 8, ("probe", "camera"),
        lambda s, c: {
            "masks_px": c.masks_px, "ball": detector_said(s.ball),
            "kind": "marks" if c.kind == "marks" else "play",
        },
        stages.scan, "looking for the ball",
    ),
    Stage(
        "marks", 1, ("scan",), lambda s, c: {"radius_m": s.ball.radius_m}, stages.marks,
        "comparing with the marks", ("marks",),
    ),
    Stage("track", 3, ("probe", "scan"), _nothing, stages.track, "linking"),
    Stage(
        "flight", 10, ("probe", "scan", "track"),
        lambda s, c: {
            "readout_s": c.readout_s, "exposure_s": c.exposure_s, "air": asdict(s.air),
            "ball": ball_facts(s.ball),
        },
        stages.flight, "fitting flights",
    ),
    Stage(
        "drops", 1, ("scan", "flight"),
        lambda s, c: {"air": asdict(s.air), "ball": ball_facts(s.ball)},
        stages.drops, "weighing the bounces", ("drop",),
    ),
    Stage(
        "match", 7, ("probe", "scan", "flight"),
        lambda s, c: {
            "kind": "feed" if c.kind == "feed" else "play", "air": asdict(s.air),
            "ball": ball_facts(s.ball),
        } | _touches(s, c),
        stages.match, "reading rallies",
    ),
)  # fmt: skip


def _result_type(stage: str) -> Any:
    """What a stage gives; nouns of heavy rooms are imported only when they are needed."""
    if stage == "camera":
        from halfvolley.camera import Calibration

        return Calibration
    if stage == "marks":
        from halfvolley.camera import MarksCheck

        return MarksCheck | Unknown
    if stage == "drops":
        from halfvolley.flight import Drops

        return Drops | Unknown
    light = {
        "probe": Recording, "scan": stages.Scan, "track": Tracks, "flight": Flights, "match": Play,
    }  # fmt: skip
    return light[stage]


@dataclass(frozen=True, slots=True)
class Step:
    """One stage of one clip as it stands."""

    clip: str
    stage: str
    why: tuple[str, ...]  # why it must run; empty: it is up to date


@dataclass(frozen=True, slots=True)
class Measured:
    """What `measure` did and found."""

    folder: Path
    run: str  # names the result; the same inputs give the same name
    did: tuple[tuple[str, str], ...]  # (clip, stage) in order; empty: all was up to date
    clips: tuple[str, ...]  # measured clips
    not_measured: tuple[tuple[str, str], ...]  # (clip, why)
    took_s: float
    ran: tuple[tuple[str, str], ...] = ()  # (clip, what found the ball, where and how fast)

    @property
    def tables(self) -> Path:
        """The folder with the result."""
        return self.folder / "tables"


class ClipWork:
    """One clip on its way: the keys of its stages, and their results when somebody asks."""

    def __init__(
        self, session: Session, entry: ClipEntry, store: Store, hashes: ClipHashes
    ) -> None:
        self.session, self.entry, self.store = session, entry, store
        content = {_which(i): hashes.of(path) for i, path in enumerate(entry.files)}
        self.parts: dict[str, Parts] = {}
        self.stages = tuple(stage for stage in STAGES if entry.kind in stage.kinds)
        for stage in self.stages:
            inputs = {name: self.parts[name].key for name in stage.needs}
            if stage.name == "probe":
                inputs = content
            said = _json_ready(stage.said(session, entry))
            self.parts[stage.name] = Parts(stage.name, stage.version, entry.name, said, inputs)
        self._results: dict[str, Any] = {}

    def is_stale(self, stage: Stage) -> bool:
        """Whether no result is kept for what it depends on now."""
        return not self.store.has(self.parts[stage.name])

    def why(self, stage: Stage) -> tuple[str, ...]:
        """What changed since the newest kept result, in words; empty where nothing did."""
        if not self.is_stale(stage):
            return ()
        old = self.store.latest(stage.name, self.entry.name)
        if old is None:
            return ("not run yet",)
        return self.parts[stage.name].changes(old) or ("its result was deleted",)

    def run(self, stage: Stage, tell: stages.Tell) -> None:
        """Run a stage and keep its result."""
        needed = [self.result(name) for name in stage.needs]
        result = stage.run(self.session, self.entry, tell, *needed)
        self.store.save(self.parts[stage.name], result)
        self._results[stage.name] = result

    def result(self, name: str) -> Any:
        """Result of a stage that is up to date; a damaged one is made again first."""
        if name not in self._results:
            try:
                self._results[name] = self.store.load(self.parts[name], _result_type(name))
            except BadInput:
                stage = next(s for s in STAGES if s.name == name)
                self.run(stage, lambda share: None)
        if name == "probe":  # a file may have been moved since
            return self._results[name].at(self.entry.files)
        return self._results[name]

    def result_if_any(self, name: str) -> Any:
        """Result of a stage; None where clips of this kind have no such stage."""
        return self.result(name) if name in self.parts else None

    def free(self) -> None:
        """Let go of results in memory."""
        self._results.clear()


def measure(folder: Path | str, *, progress: Progress | None = None) -> Measured:
    """Run what is out of date in a session, up to its tables.

    Parameters
    ----------
    folder : Path or str
        The session folder.
    progress : callable, optional
        Told what is being done and which share of it is done.

    Returns
    -------
    Measured
        What was done. Clips that could not be measured are named with the reason; the others are
        in the tables.

    Raises
    ------
    BadSession
        If session.toml cannot be used.
    FootageError, NoCamera, BadInput
        If no clip at all could be measured: the reason of the first.
    StorageError
        If results cannot be written, or another program is writing to the session.
    """
    started = time.monotonic()
    say = progress or (lambda text, share: None)
    session = read_session(folder)
    store = Store(session.folder)
    did: list[tuple[str, str]] = []
    failed: dict[str, HalfvolleyError] = {}
    done: list[ClipWork] = []
    ran: list[tuple[str, str]] = []
    with store.lock():
        store.clean()
        hashes = ClipHashes(store)
        for entry in session.clips:
            try:
                work = _open(session, entry, store, hashes, say)
                _bring_up_to_date(work, say, did)
                if (entry.name, "scan") in did and (found_by := work.result("scan").ran):
                    ran.append((entry.name, found_by))
                done.append(work)
            except StorageError:
                raise
            except HalfvolleyError as error:
                failed[entry.name] = error
        if not done:
            raise next(iter(failed.values()))
        run = _write_tables(session, done, failed, did)
    return Measured(
        folder=session.folder,
        run=run,
        did=tuple(did),
        clips=tuple(work.entry.name for work in done),
        not_measured=tuple((name, str(error)) for name, error in failed.items()),
        took_s=time.monotonic() - started,
        ran=tuple(ran),
    )


def plan_measure(folder: Path | str) -> tuple[Step, ...]:
    """What `measure` would run, and why; nothing is written.

    Parameters
    ----------
    folder : Path or str
        The session folder.

    Returns
    -------
    tuple of Step
        Every stage of every clip in order; a step without a reason is up to date.

    Raises
    ------
    BadSession
        If session.toml cannot be used.
    """
    session = read_session(folder)
    store = Store(session.folder)
    hashes = ClipHashes(store)
    steps: list[Step] = []
    works = []
    for entry in session.clips:
        try:
            work = ClipWork(session, entry, store, hashes)
        except FootageError as error:
            steps.append(Step(entry.name, STAGES[0].name, (str(error),)))
            continue
        works.append(work)
        steps += [Step(entry.name, stage.name, work.why(stage)) for stage in work.stages]
    manifest = read_manifest(session.folder)
    why: tuple[str, ...] = ()
    if manifest is None:
        why = ("not written yet",)
    else:
        failed = manifest["not_measured"]
        measured = [w for w in works if w.entry.name not in failed]
        if manifest["run"] != _run_key(session, measured, failed):
            why = ("results changed",)
    steps.append(Step("", "tables", why))
    return tuple(steps)


@dataclass(frozen=True, slots=True, eq=False)
class ClipResult:
    """All results of one measured clip, for reports and notebooks."""

    session: Session
    entry: ClipEntry
    recording: Recording
    calibration: Any  # halfvolley.camera.Calibration
    scan: stages.Scan
    flights: Flights
    play: Play
    marks: Any  # halfvolley.camera.MarksCheck or Unknown; None unless of that kind
    drops: Any  # halfvolley.flight.Drops or Unknown; None unless of that kind


def load_clip(folder: Path | str, name: str | None = None) -> ClipResult:
    """Results of one measured clip.

    Parameters
    ----------
    folder : Path or str
        The session folder.
    name : str, optional
        Which clip; the first where it is left out.

    Raises
    ------
    BadSession
        If the clip is not in the session, or has not been measured as session.toml stands.
    """
    session = read_session(folder)
    entry = session.clips[0] if name is None else session.clip(name)
    store = Store(session.folder)
    work = ClipWork(session, entry, store, ClipHashes(store))
    if any(work.is_stale(stage) for stage in work.stages):
        raise BadSession(
            f"{entry.name} is not measured as {session.folder}/session.toml stands; run: "
            f"halfvolley measure {session.folder}"
        )
    return ClipResult(
        session, entry, work.result("probe"), work.result("camera"), work.result("scan"),
        work.result("flight"), work.result("match"), work.result_if_any("marks"),
        work.result_if_any("drops"),
    )  # fmt: skip


def kept_result(session: Session, name: str, stage: str) -> Any:
    """The result of one stage of a clip as session.toml stands; None where it must be made first.

    Parameters
    ----------
    session : Session
        As read.
    name : str
        Which clip; a large one that was never read is not read for this.
    stage : str
        Which stage.
    """
    entry, store = session.clip(name), Store(session.folder)
    hashes = ClipHashes(store)
    if not all(hashes.is_quick(path) for path in entry.files):
        return None
    work = ClipWork(session, entry, store, hashes)
    if stage not in work.parts or not store.has(work.parts[stage]):
        return None
    return work.result(stage)


def calibrate_clip(
    session: Session, name: str, *, progress: Progress | None = None
) -> tuple[Recording, Any]:
    """The camera of one clip of a session, made where it is out of date.

    Parameters
    ----------
    session : Session
        As read.
    name : str
        Which clip.
    progress : callable, optional
        As for `measure`.

    Returns
    -------
    tuple of Recording and halfvolley.camera.Calibration
        Facts of the file, and the camera.

    Raises
    ------
    FootageError, NoCamera, BadInput, StorageError
        As for `measure`.
    """
    recording, calibration = _made(session, name, ("probe", "camera"), progress)
    return recording, calibration


def verify_clip(session: Session, name: str, *, progress: Progress | None = None) -> Any:
    """The camera of one clip held against a ball on marks, made where it is out of date.

    Parameters
    ----------
    session : Session
        As read.
    name : str
        A clip of kind "marks".
    progress : callable, optional
        As for `measure`.

    Returns
    -------
    halfvolley.camera.MarksCheck or Unknown
        Unknown where too few marks were seen.

    Raises
    ------
    FootageError, NoCamera, BadInput, StorageError
        As for `measure`.
    """
    return _made(session, name, ("marks",), progress)[0]


def _made(
    session: Session, name: str, wanted: tuple[str, ...], progress: Progress | None
) -> list[Any]:
    """Results of stages of one clip, made up to the last of them where they are out of date."""
    say = progress or (lambda text, share: None)
    store = Store(session.folder)
    with store.lock():
        store.clean()
        work = _open(session, session.clip(name), store, ClipHashes(store), say)
        _bring_up_to_date(work, say, [], last=wanted[-1])
        return [work.result(stage) for stage in wanted]


def _open(
    session: Session, entry: ClipEntry, store: Store, hashes: ClipHashes, say: Progress
) -> ClipWork:
    fresh = [path for path in entry.files if not hashes.is_remembered(path)]
    for path in fresh:
        hashes.of(path, progress=lambda share: say(f"{entry.name}: reading", share))
    if fresh:
        hashes.save()
    return ClipWork(session, entry, store, hashes)


def _bring_up_to_date(
    work: ClipWork, say: Progress, did: list[tuple[str, str]], last: str = ""
) -> None:
    for stage in work.stages:
        if work.is_stale(stage):
            text = f"{work.entry.name}: {stage.doing}"
            say(text, 0.0)
            work.run(stage, lambda share, text=text: say(text, share))  # type: ignore[misc]
            say(text, 1.0)
            did.append((work.entry.name, stage.name))
        if stage.name == last:
            return


def _run_key(session: Session, works: list[ClipWork], failed: dict[str, str]) -> str:
    """Names one result: everything that the tables are made from."""
    said = {
        "players": [session.player_a, session.player_b],
        "clips": [[w.entry.name, w.entry.end_a, w.entry.kind] for w in works],
        "failed": failed,
    }
    inputs = {f"{w.entry.name}/{name}": parts.key for w in works for name, parts in w.parts.items()}
    return Parts("tables", TABLES_VERSION, "", said, inputs).key


def _write_tables(
    session: Session,
    works: list[ClipWork],
    failed: dict[str, HalfvolleyError],
    did: list[tuple[str, str]],
) -> str:
    reasons = {name: str(error) for name, error in failed.items()}
    run = _run_key(session, works, reasons)
    manifest = read_manifest(session.folder)
    if manifest is not None and manifest["run"] == run:
        return run
    from halfvolley.match import hear, practice_question
    from halfvolley.session.tables import ClipTables, write_tables

    clips = []
    for work in works:
        scan, flights, play = (work.result(name) for name in ("scan", "flight", "match"))
        warnings = (
            *work.result("probe").info.warnings, *scan.warnings,
            *work.result("camera").warnings, *scan.camera.warnings, *flights.warnings,
        )  # fmt: skip
        if work.entry.kind != "marks" and not (play.contacts or flights.warnings):
            warnings += ("No bounce and no stroke was seen: no ball was in play at this table.",)
        if work.entry.kind == "play" and (question := practice_question(flights, play)):
            warnings += (question,)
        warnings += hear(flights.contacts, stages.touch_words(session, work.entry.name)).notes
        clips.append(
            ClipTables(
                work.entry, scan.camera, flights, play,
                tuple(dict.fromkeys(warnings)), work.result_if_any("marks"),
                work.result_if_any("drops"),
            )
        )  # fmt: skip
        work.free()
    write_tables(session, clips, reasons, run)
    did.append(("", "tables"))
    return run


def _which(i: int) -> str:
    return "the clip's content" if i == 0 else f"the content of chapter {i + 1}"


def _json_ready(value: Any) -> Any:
    """Tuples as lists, as JSON gives them back, so that old and new compare equal."""
    if isinstance(value, dict):
        return {key: _json_ready(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_json_ready(item) for item in value]
    return value
