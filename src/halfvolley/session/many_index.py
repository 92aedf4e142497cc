"""The index of a library: one DuckDB file with the rows of all sessions below a folder.

It is built once. Afterwards a look at size and time of change of two files a session tells which
are new, changed or gone, and only these are read again. It holds nothing that cannot be read again
from the sessions: a damaged one, or one of another version, is built anew.
"""

import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from halfvolley.errors import BadInput, HalfvolleyError, StorageError
from halfvolley.session.files import only_writer
from halfvolley.session.manifest import MANIFEST
from halfvolley.session.many_rows import (
    LIBRARY,
    LIBRARY_VERSION,
    session_tables,
    unread_tables,
)
from halfvolley.session.schema import FILE_NAME

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

INDEX_FOLDER, INDEX_FILE = "halfvolley-library", "index.duckdb"
AT_ONCE = 100  # sessions a transaction: what a broken-off run has read is kept
Progress = Callable[[str, float], None]

# a file from elsewhere cannot make the engine read, write or fetch anything else
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "enable_external_access": "false",
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "python_enable_replacements": "false",
}


@dataclass(frozen=True, slots=True)
class Found:
    """What lies below a folder."""

    sessions: Mapping[str, Path]  # by the path below the folder, as it is shown
    others: tuple[tuple[str, str], ...]  # (folder, why there is no session in it)


@dataclass(frozen=True, slots=True)
class Changes:
    """What bringing an index up to date did."""

    read: int  # sessions that were new or changed
    gone: int
    took_s: float


def find_sessions(folder: Path) -> Found:
    """All sessions below a folder; what lies inside a session is not looked at.

    Parameters
    ----------
    folder : Path
        Where to look; links are followed, each folder once.

    Returns
    -------
    Found
        With the folders directly below that hold no session, and those that cannot be opened.

    Raises
    ------
    BadInput
        If it is no folder.
    """
    if not folder.is_dir():
        raise BadInput(f"no such folder: {folder}; give the folder that holds your sessions")
    sessions: dict[str, Path] = {}
    others: list[tuple[str, str]] = []
    top = _folders_in(folder, others)
    if top is None or FILE_NAME in top[1]:
        return Found({".": folder} if top else {}, tuple(others))
    seen = {_identity(folder)}
    for child in sorted(top[0]):
        below = len(sessions) + len(others)
        for path in _walk(child, seen, others):
            sessions[_shown(path, folder)] = path
        if below == len(sessions) + len(others):
            others.append((str(child), f"holds no session: no {FILE_NAME} in it or below"))
    named = [(_shown(Path(path), folder), why) for path, why in others]
    return Found(dict(sorted(sessions.items())), tuple(sorted(named)))


def _walk(folder: Path, seen: set[tuple[int, int]], others: list[tuple[str, str]]
          ) -> Iterator[Path]:  # fmt: skip
    waiting = [folder]
    while waiting:
        here = waiting.pop()
        identity = _identity(here)
        if identity in seen:
            continue
        seen.add(identity)
        inside = _folders_in(here, others)
        if inside is not None and FILE_NAME in inside[1]:
            yield here
        elif inside is not None:
            waiting += inside[0]


def _folders_in(folder: Path, others: list[tuple[str, str]]
                ) -> tuple[list[Path], set[str]] | None:  # fmt: skip
    """Folders in a folder but hidden ones, and the names of all that is in it."""
    try:
        with os.scandir(folder) as entries:
            inside = list(entries)
        folders = [Path(e.path) for e in inside if e.is_dir() and not _hidden(e.name)]
    except OSError as error:
        others.append((str(folder), f"cannot be opened: {(error.strerror or 'error').lower()}"))
        return None
    return folders, {e.name for e in inside}


def _hidden(name: str) -> bool:
    return name.startswith(".") or name == INDEX_FOLDER


def _identity(folder: Path) -> tuple[int, int]:
    try:
        stat = folder.stat()
    except OSError:
        return (-1, hash(folder))
    return (stat.st_dev, stat.st_ino)


def _shown(path: Path, folder: Path) -> str:
    """A path below the folder as text; names that are no Unicode are spelled out."""
    return path.relative_to(folder).as_posix().encode("utf-8", "backslashreplace").decode()


def state_of(session: Path) -> str:
    """Size and time of change of what a session's rows are made from."""
    parts = []
    for path in (session / FILE_NAME, session / "tables" / MANIFEST):
        try:
            stat = path.stat()
            parts.append(f"{stat.st_size}@{stat.st_mtime_ns}")
        except OSError:
            parts.append("none")
    return " ".join(parts)


# --- bringing it up to date ----------------------------------------------------------------------
def bring_up_to_date(
    index: Path, found: Found, *, rebuild: bool = False, progress: Progress | None = None
) -> Changes:
    """Read what is new or changed into the index, and take out what is gone.

    Parameters
    ----------
    index : Path
        Folder of the index; made where it does not exist.
    found : Found
        As `find_sessions` gives it.
    rebuild : bool
        Read all sessions again.
    progress : callable, optional
        Told what is being done and which share of it is done.

    Raises
    ------
    StorageError
        If the index cannot be written, or another program holds it.
    """
    started = time.monotonic()
    now = {name: state_of(path) for name, path in found.sessions.items()}
    if not rebuild and _states(index) == now:
        return Changes(0, 0, time.monotonic() - started)
    say = progress or (lambda text, share: None)
    with only_writer(index), _open_for_writing(index / INDEX_FILE, rebuild) as db:
        known = dict(db.sql("SELECT session, state FROM sessions").fetchall())
        stale = [name for name, state in now.items() if known.get(name) != state]
        gone = [name for name in known if name not in now]
        _exchange(db, gone, [])
        for i in range(0, len(stale), AT_ONCE):
            some = stale[i : i + AT_ONCE]
            rows = []
            for k, name in enumerate(some):
                rows.append(_read(name, found.sessions[name], now[name]))
                say("reading sessions", (i + k + 1) / len(stale))
            _exchange(db, some, rows)
    return Changes(len(stale), len(gone), time.monotonic() - started)


def _read(name: str, folder: Path, state: str) -> dict[str, Any]:
    """Tables of a session; one that cannot be read is listed with the reason."""
    from halfvolley.session.records import read_records

    try:
        return session_tables(name, read_records(folder), state)
    except HalfvolleyError as error:
        why = str(error)
    except Exception as error:  # whatever a foreign file holds, the other sessions count
        why = f"its tables cannot be read ({type(error).__name__}); measure it again"
    return unread_tables(name, " ".join(why.split()), state)


def _exchange(
    db: "DuckDBPyConnection", names: Sequence[str], new: Sequence[Mapping[str, Any]]
) -> None:
    """Put new rows in the place of all rows of some sessions, or change nothing."""
    import pyarrow as pa

    if not names:
        return
    db.begin()
    for table in LIBRARY:
        marks = ", ".join("?" * len(names))
        db.execute(f"DELETE FROM {table} WHERE session IN ({marks})", list(names))
        if new:
            db.register("incoming", pa.concat_tables([tables[table] for tables in new]))
            db.execute(f"INSERT INTO {table} SELECT * FROM incoming")
            db.unregister("incoming")
    db.commit()


# --- the file ------------------------------------------------------------------------------------
@contextmanager
def open_for_reading(index: Path) -> "Iterator[DuckDBPyConnection]":
    """The index for questions; it cannot be changed through it.

    Raises
    ------
    StorageError
        If it cannot be opened.
    """
    import duckdb

    try:
        db = duckdb.connect(index / INDEX_FILE, read_only=True, config=_CONFIG)
    except duckdb.Error as error:
        raise StorageError(_in_words(index / INDEX_FILE, error)) from None
    try:
        with db:
            yield db
    except duckdb.Error as error:
        raise StorageError(_in_words(index / INDEX_FILE, error)) from None


def _states(index: Path) -> dict[str, str] | None:
    """What the index knows of which session; None where there is no index that can be used."""
    import duckdb

    if not (index / INDEX_FILE).is_file():
        return None
    try:
        with open_for_reading(index) as db:
            if not _is_current(db):
                return None
            return dict(db.sql("SELECT session, state FROM sessions").fetchall())
    except (StorageError, duckdb.Error):
        return None


def _made_by() -> str:
    from importlib.metadata import version

    return f"halfvolley {version('halfvolley')}, library {LIBRARY_VERSION}"


def _is_current(db: "DuckDBPyConnection") -> bool:
    import duckdb

    try:
        return db.sql("SELECT made_by FROM about").fetchall() == [(_made_by(),)]
    except duckdb.Error:
        return False


@contextmanager
def _open_for_writing(path: Path, rebuild: bool) -> "Iterator[DuckDBPyConnection]":
    """The index, a fresh one where it is damaged or of another version."""
    import duckdb

    try:
        db = _connect(path)
        if rebuild or not _is_current(db):
            db.close()
            _remove(path)
            db = _connect(path)
            _lay_out(db)
        with db:
            yield db
    except duckdb.Error as error:
        raise StorageError(_in_words(path, error)) from None


def _connect(path: Path) -> "DuckDBPyConnection":
    import duckdb

    try:
        return duckdb.connect(path, config=_CONFIG)
    except duckdb.Error as error:
        if _is_held(error):
            raise
    _remove(path)
    return duckdb.connect(path, config=_CONFIG)


def _is_held(error: Exception) -> bool:
    """Whether others have the index open; then it is not damaged."""
    import duckdb

    return isinstance(error, duckdb.ConnectionException) or "lock" in str(error).lower()


def _remove(path: Path) -> None:
    for old in (path, path.with_name(path.name + ".wal")):
        old.unlink(missing_ok=True)


def _lay_out(db: "DuckDBPyConnection") -> None:
    db.begin()
    db.execute("CREATE TABLE about (made_by VARCHAR)")
    db.execute("INSERT INTO about VALUES (?)", [_made_by()])
    for table, content in unread_tables("", "", "").items():
        db.register("incoming", content.slice(0, 0))
        db.execute(f"CREATE TABLE {table} AS SELECT * FROM incoming")
        db.unregister("incoming")
    db.commit()


def _in_words(path: Path, error: Exception) -> str:
    if _is_held(error):
        return f"another program has {path} open; close it and try again"
    why = str(error).splitlines()[0]
    return f"cannot use {path} ({why}); free some space, or try --rebuild or another --index"
