"""labels.sqlite: every label with its whole history, each decision on the disk at once.

    steps     what was done, by whom and when; an undone step stays here, marked
    versions  what a label said after a step; the newest one of a step not undone holds

Nothing is ever deleted or overwritten: a correction is one more row, and so `undo` is to mark a
step. The file is in WAL mode, so that pages may be read while one program writes; a transaction is
flushed to the disk before its call returns (`synchronous = FULL`).
"""

import contextlib
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from halfvolley.errors import BadInput, BadSession, StorageError
from halfvolley.types import VETTED, Decision, Label

FILE_NAME = "labels.sqlite"
SCHEMA_VERSION = 1
APPLICATION_ID = 0x68766C62  # "hvlb": says that an SQLite file holds labels of this program
WAIT_S = 5.0  # for another program to finish its transaction

_SCHEMA = """
CREATE TABLE steps (
    step_id INTEGER PRIMARY KEY,
    what TEXT NOT NULL,
    who TEXT NOT NULL,
    when_s REAL NOT NULL,
    undone INTEGER NOT NULL DEFAULT 0
);
CREATE TABLE versions (
    version_id INTEGER PRIMARY KEY,
    step_id INTEGER NOT NULL REFERENCES steps,
    label_id INTEGER NOT NULL,
    removed INTEGER NOT NULL,
    clip TEXT NOT NULL,
    frame INTEGER NOT NULL,
    t_s REAL NOT NULL,
    kind TEXT NOT NULL,
    u_px REAL, v_px REAL, radius_px REAL, streak_u_px REAL, streak_v_px REAL,
    origin TEXT NOT NULL,
    confidence REAL NOT NULL,
    decision TEXT NOT NULL,
    who TEXT NOT NULL,
    when_s REAL NOT NULL,
    rally INTEGER,
    why TEXT NOT NULL
);
CREATE INDEX versions_of_label ON versions (label_id, version_id);
CREATE VIEW labels AS
    SELECT * FROM versions WHERE removed = 0 AND version_id IN (
        SELECT MAX(version_id) FROM versions JOIN steps USING (step_id)
        WHERE undone = 0 GROUP BY label_id);
"""
_COLUMNS = (
    "label_id, clip, frame, t_s, kind, u_px, v_px, radius_px, streak_u_px, streak_v_px, origin, "
    "confidence, decision, who, when_s, rally, why"
)


@dataclass(frozen=True, slots=True)
class Step:
    """One entry of the history."""

    step_id: int
    what: str
    who: str
    when_s: float  # [s since 1970, UTC]
    n_labels: int  # that it touched
    undone: bool


@dataclass(frozen=True, slots=True)
class Merged:
    """What became of labels that were brought in."""

    added: int
    changed: int
    removed: int
    unchanged: int
    left: int  # not taken, because a person has decided there


class LabelStore:
    """The labels of one session; use it in a `with` block.

    Parameters
    ----------
    path : Path
        The file; made if it does not exist and `make` is set.
    make : bool
        Whether to make it.

    Raises
    ------
    BadSession
        If there is no such file, or it is no label file, damaged or of a newer program.
    StorageError
        If it cannot be opened or written.
    """

    def __init__(self, path: Path, *, make: bool = True) -> None:
        self.path = path
        if not make and not path.is_file():
            raise BadSession(
                f"{path.parent} has no labels yet; run: halfvolley labels harvest {path.parent}"
            )
        with _plainly(path):
            self._db = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)
            try:
                self._open()
            except BaseException:
                self._db.close()
                raise

    def __enter__(self) -> "LabelStore":
        return self

    def __exit__(self, *args: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def _open(self) -> None:
        version = self._db.execute("PRAGMA user_version").fetchone()[0]
        own = self._db.execute("PRAGMA application_id").fetchone()[0]
        tables = self._db.execute("SELECT COUNT(*) FROM sqlite_master").fetchone()[0]
        if own != APPLICATION_ID and tables:
            raise BadSession(
                f"{self.path} is an SQLite file of another program; move it away and harvest again"
            )
        if version > SCHEMA_VERSION:
            raise BadSession(
                f"{self.path} has layout {version}, newer than this program knows "
                f"({SCHEMA_VERSION}); update halfvolley"
            )
        self._db.execute("PRAGMA synchronous = FULL")
        if version < SCHEMA_VERSION:
            self._db.execute("PRAGMA journal_mode = WAL")
            with self._transaction():
                # another program may have been faster
                if self._db.execute("PRAGMA user_version").fetchone()[0] < SCHEMA_VERSION:
                    for statement in _SCHEMA.split(";\n"):
                        self._db.execute(statement)
                    self._db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                    self._db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        """All or nothing, and on the disk when the block has ended."""
        with _plainly(self.path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")
                raise

    # --- reading ---------------------------------------------------------------------------------
    def labels(self, *, clip: str | None = None) -> tuple[Label, ...]:
        """Labels as they stand, by clip and frame; optionally of one clip only."""
        if clip is None:
            return self._select("", ())
        return self._select("WHERE clip = ?", (clip,))

    def _select(self, where: str, said: tuple[Any, ...]) -> tuple[Label, ...]:
        with _plainly(self.path):
            rows = self._db.execute(
                f"SELECT {_COLUMNS} FROM labels {where} ORDER BY clip, frame, label_id", said
            ).fetchall()
        return tuple(_label(row) for row in rows)

    def steps(self) -> tuple[Step, ...]:
        """The history, oldest first."""
        with _plainly(self.path):
            rows = self._db.execute(
                "SELECT step_id, what, steps.who, steps.when_s, COUNT(version_id), undone "
                "FROM steps LEFT JOIN versions USING (step_id) GROUP BY step_id ORDER BY step_id"
            ).fetchall()
        return tuple(
            Step(step_id, what, who, when_s, n, bool(undone))
            for step_id, what, who, when_s, n, undone in rows
        )

    # --- writing ---------------------------------------------------------------------------------
    def decide(
        self, label_id: int, decision: Decision, *, who: str, when_s: float, **changed: Any
    ) -> Label:
        """A person's word on one label, on the disk when this returns.

        Parameters
        ----------
        label_id : int
            Which label.
        decision : str
            "accepted" or "rejected"; "open" puts it back into the queue.
        who : str
            Name of the person.
        when_s : float
            Now [s since 1970].
        **changed
            Other fields of `Label` that the person corrected.

        Returns
        -------
        Label
            As it stands now.

        Raises
        ------
        BadInput
            If there is no such label, `who` is no name, or the corrected label is none.
        StorageError
            If it could not be written; nothing has changed then.
        """
        if who in ("", VETTED):
            raise BadInput(f"a decision by {who!r} is nobody's; give the name of a person")
        with self._transaction():
            found = self._select("WHERE label_id = ?", (label_id,))
            if not found:
                raise BadInput(f"there is no label {label_id}; list them again")
            old = found[0]
            said = {"confidence": 1.0 if decision != "open" else old.confidence, **changed}
            name = who if decision != "open" else ""
            new = replace(old, decision=decision, who=name, when_s=when_s, **said)
            step = self._step(f"{decision} label {label_id}", who, when_s)
            self._write(step, new)
        return new

    def add(self, labels: Iterable[Label], *, what: str, who: str, when_s: float) -> Merged:
        """Labels that a person made or brought in, as one step.

        One at the place of an old label takes its part and its number; the same label again
        changes nothing.

        Parameters
        ----------
        labels : iterable of Label
            New ones.
        what : str
            For the history.
        who : str
            The person.
        when_s : float
            Now [s since 1970].

        Returns
        -------
        Merged
            What became of them.

        Raises
        ------
        StorageError
            If it could not be written; nothing has changed then.
        """
        with self._transaction():
            old = _ByFrame(self.labels())
            step = None
            added = changed = unchanged = 0
            for label in labels:
                same = old.take_same(label)
                if same is not None and says_the_same(same, label):
                    unchanged += 1
                    continue
                step = step or self._step(what, who, when_s)
                self._write(step, replace(label, label_id=same.label_id if same else 0))
                added, changed = added + (same is None), changed + (same is not None)
        return Merged(added, changed, 0, unchanged, 0)

    def harvest(
        self, clip: str, labels: Sequence[Label], *, when_s: float,
        rally_at: Callable[[float], int | None] | None = None,
    ) -> Merged:  # fmt: skip
        """The newest harvest of a clip in place of the one before, as one step.

        What a person decided stays as it is, and nothing is harvested at its place; only the
        number of its rally follows the newest measurement.

        Parameters
        ----------
        clip : str
            Whose labels these are.
        labels : sequence of Label
            All that the harvest gave.
        when_s : float
            Now [s since 1970].
        rally_at : callable, optional
            The rally of a time of the clip's clock.

        Returns
        -------
        Merged
            What changed. Nothing does if the harvest is the same as before.

        Raises
        ------
        StorageError
            If it could not be written; nothing has changed then.
        """
        with self._transaction():
            now = self.labels(clip=clip)
            person = [label for label in now if label.by_person]
            said = _ByFrame(person)
            taken = [label for label in labels if not said.speaks_on(label)]
            old = _ByFrame([label for label in now if not label.by_person])
            changes: list[tuple[Label, bool]] = []
            added = changed = unchanged = 0
            for label in taken:
                same = old.take_same(label)
                if same is not None and says_the_same(same, label):
                    unchanged += 1
                    continue
                changes.append((replace(label, label_id=same.label_id if same else 0), False))
                added, changed = added + (same is None), changed + (same is not None)
            gone = list(old)
            changes += [(label, True) for label in gone]
            for label in person if rally_at is not None else ():
                rally = rally_at(label.t_s) if rally_at is not None else None
                if rally != label.rally:
                    changes.append((replace(label, rally=rally), False))
            if changes:
                step = self._step(f"harvest of {clip}", "", when_s)
                for label, removed in changes:
                    self._write(step, label, removed)
        return Merged(added, changed, len(gone), unchanged, len(labels) - len(taken))

    def undo(self) -> Step | None:
        """Take back the newest step that is not undone yet; None where there is none."""
        with self._transaction():
            left = [step for step in self.steps() if not step.undone]
            if not left:
                return None
            self._db.execute("UPDATE steps SET undone = 1 WHERE step_id = ?", (left[-1].step_id,))
        return replace(left[-1], undone=True)

    def _step(self, what: str, who: str, when_s: float) -> int:
        row = self._db.execute(
            "INSERT INTO steps (what, who, when_s) VALUES (?, ?, ?)", (what, who, when_s)
        )
        return int(row.lastrowid or 0)

    def _write(self, step: int, label: Label, removed: bool = False) -> None:
        u, v = label.uv_px or (None, None)
        du, dv = label.streak_px or (None, None)
        label_id = (
            label.label_id
            or self._db.execute("SELECT COALESCE(MAX(label_id), 0) + 1 FROM versions").fetchone()[0]
        )
        self._db.execute(
            f"INSERT INTO versions (step_id, removed, {_COLUMNS}) "
            f"VALUES ({', '.join('?' * 19)})",
            (step, removed, label_id, label.clip, label.frame, label.t_s, label.kind, u, v,
             label.radius_px, du, dv, label.origin, label.confidence, label.decision, label.who,
             label.when_s, label.rally, label.why),
        )  # fmt: skip


def _label(row: Sequence[Any]) -> Label:
    label_id, clip, frame, t_s, kind, u, v, radius, du, dv = row[:10]
    origin, confidence, decision, who, when_s, rally, why = row[10:]
    place = None if u is None else (u, v)
    streak = None if du is None else (du, dv)
    return Label(
        clip, frame, t_s, kind, place, radius, streak, origin, confidence, decision, who, when_s,
        rally, why, label_id,
    )  # fmt: skip


def says_the_same(a: Label, b: Label) -> bool:
    """Whether two labels differ in nothing but their number and the time of writing."""
    return replace(a, label_id=0, when_s=0.0) == replace(b, label_id=0, when_s=0.0)


def same_place(a: Label, b: Label) -> bool:
    """Whether two labels of one frame speak of one place: within the larger radius."""
    if a.uv_px is None or b.uv_px is None or a.radius_px is None or b.radius_px is None:
        return a.uv_px is None and b.uv_px is None
    (u, v), (x, y) = a.uv_px, b.uv_px
    reach = max(a.radius_px, b.radius_px)
    return (u - x) ** 2 + (v - y) ** 2 <= reach**2


class _ByFrame:
    """Labels found by clip, frame and place."""

    def __init__(self, labels: Iterable[Label]) -> None:
        self._at: dict[tuple[str, int], list[Label]] = {}
        for label in labels:
            self._at.setdefault((label.clip, label.frame), []).append(label)

    def __iter__(self) -> Iterator[Label]:
        for labels in self._at.values():
            yield from labels

    def take_same(self, label: Label) -> Label | None:
        """The label at the same place, taken out: the same claim before another one."""
        here = [x for x in self._at.get((label.clip, label.frame), ()) if same_place(x, label)]
        if not here:
            return None
        best = min(here, key=lambda x: not says_the_same(x, label))
        self._at[label.clip, label.frame].remove(best)
        return best

    def speaks_on(self, label: Label) -> bool:
        """Whether these labels decide already what this one claims."""
        here = self._at.get((label.clip, label.frame), ())
        if any(same_place(x, label) for x in here):
            return True
        settled = any(x.decision == "accepted" and (x.is_ball or x.kind == "none") for x in here)
        return label.is_ball and settled


@contextlib.contextmanager
def _plainly(path: Path) -> Iterator[None]:
    """What SQLite says, as one plain sentence."""
    try:
        yield
    except sqlite3.OperationalError as error:
        words = str(error)
        if "locked" in words or "busy" in words:
            raise StorageError(
                f"another halfvolley is writing to {path}; wait until it has finished"
            ) from None
        if "malformed" in words:
            raise BadSession(_damaged(path)) from None
        raise StorageError(
            f"cannot write {path}: {words}; free some space or make the folder writable, then run "
            "the same command again"
        ) from None
    except sqlite3.DatabaseError:
        raise BadSession(_damaged(path)) from None


def _damaged(path: Path) -> str:
    return (
        f"{path} is damaged or no label file; put a copy of it back, or move it away and harvest "
        "again"
    )
