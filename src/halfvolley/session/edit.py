"""Writing session.toml: a new one, and a person's later word into an existing one.

tomlkit keeps comments, order and spacing of what a person wrote.
"""

import datetime
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Literal

import tomlkit
from tomlkit.items import AoT, Table

from halfvolley.errors import BadInput, BadSession, FootageError
from halfvolley.session.files import write_atomic
from halfvolley.session.schema import (
    FILE_NAME,
    KEYS,
    Key,
    PointWord,
    SaidTouch,
    Session,
    TargetZone,
    read_session,
)

_HEAD = """\
A session of halfvolley: what a person says about some clips. Lines that begin with # are hints:
take away the # and fill in what you know. docs/session.md explains every key."""


def new_session(
    folder: Path | str,
    clips: Sequence[Path | str],
    *,
    colour: str = "unknown",
    venue: str = "",
    date: datetime.date | None = None,
) -> Session:
    """A new session folder for some clips; the clips themselves are left where they are.

    Parameters
    ----------
    folder : Path or str
        Made where it does not exist yet.
    clips : sequence of Path or str
        The video files, one recording each.
    colour : str
        Colour of the ball: "white", "orange" or "unknown".
    venue : str
        Where it was filmed.
    date : datetime.date, optional
        When.

    Returns
    -------
    Session
        As read back from the file.

    Raises
    ------
    BadSession
        If the folder holds a session already.
    FootageError
        If a clip does not exist.
    StorageError
        If the folder cannot be written.
    """
    folder = Path(folder)
    if (folder / FILE_NAME).exists():
        raise BadSession(
            f"{folder} is a session already; edit its {FILE_NAME}, or choose another folder"
        )
    if folder.is_file():
        raise BadSession(f"{folder} is a file; give a folder for the session first, then the clips")
    if not clips:
        raise BadInput("a session needs at least one clip")
    paths = [Path(clip) for clip in clips]
    for path in paths:
        if not path.is_file():
            raise FootageError(f"no such file: {path}; check the path")
    text = _template(folder, paths, colour=colour, venue=venue, date=date)
    write_atomic(folder / FILE_NAME, text)
    return read_session(folder)


def set_clip(session: Session, name: str, **said: Any) -> Session:
    """Write a person's word about one clip into session.toml; None takes a key away.

    Parameters
    ----------
    session : Session
        As read.
    name : str
        Which clip.
    **said
        Keys of [[clips]] and their values.

    Returns
    -------
    Session
        As read back.

    Raises
    ------
    BadSession
        If there is no such clip, or a value is not allowed; the file is unchanged then.
    StorageError
        If the file cannot be written.
    """
    index = session.clips.index(session.clip(name))

    def change(document: tomlkit.TOMLDocument) -> None:
        clips = document["clips"]
        assert isinstance(clips, AoT | tomlkit.items.Array)
        _put(clips[index], said)

    return _edit(session, change)


def add_clip(session: Session, path: Path | str, **said: Any) -> Session:
    """Write one more clip into session.toml.

    Parameters
    ----------
    session : Session
        As read.
    path : Path or str
        The video file.
    **said
        Further keys of [[clips]] and their values.

    Returns
    -------
    Session
        As read back; the new clip is the last.

    Raises
    ------
    FootageError
        If there is no such file.
    BadSession
        If a value is not allowed; the file is unchanged then.
    StorageError
        If the file cannot be written.
    """
    path = Path(path)
    if not path.is_file():
        raise FootageError(f"no such file: {path}; check the path")
    name = _unique([*(entry.name for entry in session.clips), path.stem])[-1]

    def change(document: tomlkit.TOMLDocument) -> None:
        table = tomlkit.table()
        _put(table, {"path": _written_path(session.folder, path), "name": name} | said)
        clips = document["clips"]
        assert isinstance(clips, AoT | tomlkit.items.Array)
        clips.append(table)

    return _edit(session, change)


def marks_clips(session: Session, said: str | None) -> tuple[Session, list[str]]:
    """The clips that show a ball on marks; a new one is written into session.toml.

    Parameters
    ----------
    session : Session
        As read.
    said : str, optional
        Name or file of one clip; all of the session where it is left out.

    Returns
    -------
    tuple of Session and list of str
        As read back, and the names of the clips.

    Raises
    ------
    BadSession
        If the clip shows something else.
    FootageError
        If it is neither a clip of the session nor a file.
    StorageError
        If the file cannot be written.
    """
    if said is None:
        return session, [entry.name for entry in session.clips if entry.kind == "marks"]
    path = Path(said).absolute()
    for entry in session.clips:
        if said == entry.name or path == entry.path:
            if entry.kind != "marks":
                raise BadSession(
                    f"{entry.name} shows {entry.kind}, not a ball on marks; film the marks in a "
                    f'clip of their own, or set kind = "marks" in {FILE_NAME}'
                )
            return session, [entry.name]
    session = add_clip(session, said, kind="marks")
    return session, [session.clips[-1].name]


def set_words(
    session: Session, table: Literal["players", "report", "ball"], **said: Any
) -> Session:
    """Write keys of one table into session.toml; None takes a key away.

    Parameters
    ----------
    session : Session
        As read.
    table : str
        'players' (A and B: who plays at either end), 'report' or 'ball'.
    **said
        Keys of the table and their values.

    Returns
    -------
    Session
        As read back.

    Raises
    ------
    BadSession
        If a value is not allowed; the file is unchanged then.
    StorageError
        If the file cannot be written.
    """

    def change(document: tomlkit.TOMLDocument) -> None:
        _put(document.setdefault(table, tomlkit.table()), said)

    return _edit(session, change)


def set_targets(session: Session, targets: Sequence[TargetZone]) -> Session:
    """Write the zones that were to be hit into session.toml, instead of those that were there.

    Parameters
    ----------
    session : Session
        As read.
    targets : sequence of TargetZone
        All of them; none takes the table away.

    Returns
    -------
    Session
        As read back.

    Raises
    ------
    BadSession
        If a value is not allowed; the file is unchanged then.
    StorageError
        If the file cannot be written.
    """

    def change(document: tomlkit.TOMLDocument) -> None:
        document.pop("targets", None)
        zones = tomlkit.aot()
        for target in targets:
            table = tomlkit.table()
            _put(table, {"name": target.name, "corners_m": target.corners_m})
            zones.append(table)
        if targets:
            document.add("targets", zones)

    return _edit(session, change)


def add_point(
    session: Session, clip: str, t_s: float, *, server: str = "", winner: str = ""
) -> Session:
    """Write a person's word on one rally into session.toml; the last word on a rally counts.

    Parameters
    ----------
    session : Session
        As read.
    clip : str
        Name of the clip.
    t_s : float
        Any time within the rally, on the clip's own clock [s].
    server : str
        End that served, or "".
    winner : str
        End that won the point, "let", or "".

    Returns
    -------
    Session
        As read back.

    Raises
    ------
    BadSession
        If there is no such clip, or a value is not allowed; the file is unchanged then.
    StorageError
        If the file cannot be written.
    """
    return _add_word(session, "points", clip, t_s, server=server, winner=winner)


def undo_point(session: Session) -> Session:
    """Take back the last word on a rally.

    Parameters
    ----------
    session : Session
        As read.

    Returns
    -------
    Session
        As read back.

    Raises
    ------
    BadSession
        If there is none.
    StorageError
        If the file cannot be written.
    """
    if not session.points:
        raise BadSession(f"{session.folder / FILE_NAME} has no word on a rally to take back")
    return take_back(session, "points", len(session.points) - 1)


def add_touch(
    session: Session, clip: str, t_s: float, *, was: str = "", player: str = ""
) -> Session:
    """Write a person's word on one touch into session.toml; the last word on a touch counts.

    Parameters
    ----------
    session : Session
        As read.
    clip : str
        Name of the clip.
    t_s : float
        Time of the touch, on the clip's own clock [s].
    was : str
        "none" where nothing was touched, or "".
    player : str
        End of who struck, or "".

    Returns
    -------
    Session
        As read back.

    Raises
    ------
    BadSession
        If there is no such clip, or a value is not allowed; the file is unchanged then.
    StorageError
        If the file cannot be written.
    """
    return _add_word(session, "touches", clip, t_s, was=was, player=player)


def _add_word(session: Session, name: str, clip: str, t_s: float, **said: str) -> Session:
    session.clip(clip)
    said_of = session.points if name == "points" else session.touches
    return _insert_word(session, name, len(said_of), {"clip": clip, "t_s": t_s} | said)


def _insert_word(session: Session, name: str, index: int, said: dict[str, Any]) -> Session:
    def change(document: tomlkit.TOMLDocument) -> None:
        table = tomlkit.table()
        _put(table, {k: v for k, v in said.items() if v != ""})
        document.setdefault(name, tomlkit.aot()).insert(index, table)

    return _edit(session, change)


def take_back(session: Session, table: str, index: int) -> Session:
    """Take back one word on a rally or a touch.

    Parameters
    ----------
    session : Session
        As read.
    table : str
        "points" or "touches".
    index : int
        Which one of it, from 0.

    Returns
    -------
    Session
        As read back.

    Raises
    ------
    BadSession
        If there is none.
    StorageError
        If the file cannot be written.
    """
    said = session.points if table == "points" else session.touches
    if not 0 <= index < len(said):
        raise BadSession("this word was taken back already; look at the session again")

    def change(document: tomlkit.TOMLDocument) -> None:
        words = document[table]
        assert isinstance(words, AoT | tomlkit.items.Array)
        del words[index]
        if not words:
            document.remove(table)

    return _edit(session, change)


def put_back(session: Session, table: str, index: int, word: PointWord | SaidTouch) -> Session:
    """Write a word again that was taken back.

    Parameters
    ----------
    session : Session
        As read.
    table : str
        "points" or "touches".
    index : int
        Which one of it it was, from 0.
    word : PointWord or SaidTouch
        As it was read.

    Returns
    -------
    Session
        As read back.

    Raises
    ------
    BadSession
        If there is no such clip any more.
    StorageError
        If the file cannot be written.
    """
    return _insert_word(session, table, index, asdict(word))


def _edit(session: Session, change: Callable[[tomlkit.TOMLDocument], None]) -> Session:
    """Change the file and read it back; a change that is not allowed is taken back."""
    path = session.folder / FILE_NAME
    old = path.read_text(encoding="utf-8")
    document = tomlkit.parse(old)
    change(document)
    write_atomic(path, tomlkit.dumps(document))
    try:
        return read_session(session.folder)
    except BadSession:
        write_atomic(path, old)
        raise


def _put(table: Any, said: dict[str, Any]) -> None:
    for key, value in said.items():
        if value is None:
            table.pop(key, None)
        else:
            table[key] = _plain(value)


def _template(
    folder: Path, clips: list[Path], *, colour: str, venue: str, date: datetime.date | None
) -> str:
    document = tomlkit.document()
    for line in _HEAD.splitlines():
        document.add(tomlkit.comment(line))
    document.add(tomlkit.nl())
    _fill(document, "", {"venue": venue} | ({} if date is None else {"date": date}))
    for name, said in (("ball", {"colour": colour}), ("air", {}), ("players", {"A": "", "B": ""})):
        table = tomlkit.table()
        _fill(table, name, said)
        document.add(tomlkit.nl())
        document.add(name, table)
    entries = tomlkit.aot()
    names = _unique([clip.stem for clip in clips])
    for i, (clip, name) in enumerate(zip(clips, names, strict=True)):
        table = tomlkit.table()
        said = {"path": _written_path(folder, clip), "name": name}
        _fill(table, "clips", said, hints=i == 0)
        entries.append(table)
    document.add(tomlkit.nl())
    document.add("clips", entries)
    return tomlkit.dumps(document)


def _fill(
    table: Table | tomlkit.TOMLDocument, name: str, said: dict[str, Any], *, hints: bool = True
) -> None:
    """Add what was said, and a commented hint for every other key."""
    for key in (key for key in KEYS if key.table == name):
        unit = f" [{key.unit}]" if key.unit else ""
        if key.name in said or key.name == "schema_version":
            table.add(key.name, tomlkit.item(said.get(key.name, key.default)))
            table[key.name].comment(key.meaning + _choices(key) + unit)
        elif hints:
            table.add(tomlkit.comment(f"{key.name} = {_EXAMPLES[key.name]}  # {key.meaning}{unit}"))


_EXAMPLES = {
    "date": "2026-01-31",
    "detector": '"auto"',
    "radius_m": "0.020",
    "temperature_C": "20.0",
    "humidity_percent": "50.0",
    "altitude_m": "0.0",
    "pressure_hPa": "1013.25",
    "kind": '"play"',
    "chapters": '["second_file.mp4"]',
    "end_a": '"left"',
    "table": "1",
    "corners_px": "[[450.0, 690.0], [590.0, 520.0], [1330.0, 520.0], [1470.0, 690.0]]",
    "blur_px": "[[[0, 0], [300, 0], [300, 200], [0, 200]]]",
    "masks_px": "[[[0, 0], [300, 0], [300, 200], [0, 200]]]",
    "readout_s": "0.012",
    "exposure_s": "0.002",
}


def _choices(key: Key) -> str:
    return f" ({', '.join(key.choices)})" if key.choices and key.default != "auto" else ""


def _written_path(folder: Path, clip: Path) -> str:
    """Relative inside the session folder, so that it can be moved whole; else absolute."""
    absolute = clip.absolute()
    try:
        return absolute.relative_to(folder.absolute()).as_posix()
    except ValueError:
        return str(absolute)


def _unique(names: list[str]) -> list[str]:
    result: list[str] = []
    for name in names:
        new, n = name, 2
        while new.casefold() in {r.casefold() for r in result}:
            new, n = f"{name}-{n}", n + 1
        result.append(new)
    return result


def _plain(value: Any) -> Any:
    """Tuples as lists, for TOML."""
    if isinstance(value, tuple | list):
        return [_plain(v) for v in value]
    return value
