"""session.toml: what a person may say, in one table of keys, and the reader that checks it.

`KEYS` is the only place where a key's name, default, unit and meaning are written; the reader, the
template of a new session and docs/session.md all follow it.
"""

import datetime
import difflib
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from halfvolley.errors import BadSession

SCHEMA_VERSION = 1
FILE_NAME = "session.toml"
DETECTORS = ("auto", "classical", "network")
PLAYED_KINDS = ("play", "serves", "feed")
CLIP_KINDS = (*PLAYED_KINDS, "drop", "marks")


@dataclass(frozen=True, slots=True)
class Key:
    """One key of session.toml."""

    table: str  # "" for the top of the file, "clips" for each [[clips]]
    name: str
    kind: str  # text, day, number, whole, choice, path, detector, paths, corners, polygons
    default: Any  # None: may be left out and is then unknown
    unit: str
    meaning: str
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()


KEYS = (
    Key("", "schema_version", "whole", SCHEMA_VERSION, "", "version of this file's layout", 1),
    Key("", "venue", "text", "", "", "where it was filmed"),
    Key("", "date", "day", None, "", "day on which it was filmed, as 2026-01-31"),
    Key(
        "ball", "colour", "choice", "unknown", "",
        "colour of the ball, for people: what finds it learns the colour itself",
        choices=("unknown", "white", "orange"),
    ),
    Key("ball", "radius_m", "number", 0.020, "m", "radius of the ball", 0.015, 0.030),
    Key(
        "ball", "detector", "detector", "auto", "",
        "what finds the ball: auto, classical, network, or the path of an ONNX file of this "
        "program",
    ),
    Key("air", "temperature_C", "number", 20.0, "°C", "temperature of the hall", -30, 60),
    Key("air", "humidity_percent", "number", 50.0, "%", "relative humidity", 0, 100),
    Key("air", "altitude_m", "number", 0.0, "m", "height of the hall above the sea", -500, 6000),
    Key(
        "air", "pressure_hPa", "number", None, "hPa",
        "air pressure in the hall; takes the place of altitude_m", 400, 1100,
    ),
    Key("players", "A", "text", "", "", "name of the player at end A"),
    Key("players", "B", "text", "", "", "name of the player at end B"),
    Key("clips", "path", "path", ..., "", "the video file, absolute or from the session folder"),
    Key("clips", "name", "text", None, "", "short unique name; left out: the file's stem"),
    Key(
        "clips", "kind", "choice", "play", "",
        "what it shows: play; serves: serves without play; feed: balls fed by a machine or a "
        "coach; drop: a ball let fall on the table; marks: a ball laid on the marks of "
        "calibrate --verify", choices=CLIP_KINDS,
    ),
    Key(
        "clips", "chapters", "paths", (), "",
        "further files of the same recording, in order, that follow without a gap",
    ),
    Key(
        "clips", "end_a", "choice", "auto", "",
        "which end of the table in the picture is A; auto: the left one, or the near one",
        choices=("auto", "left", "right", "near", "far"),
    ),
    Key("clips", "table", "whole", 1, "", "which table, where several fit; 1 is the largest", 1, 9),
    Key(
        "clips", "corners_px", "corners", None, "px",
        "the four corners of the playing surface in the picture, at (x, y) = (-, -), (-, +), "
        "(+, +), (+, -), with which end_a and table say nothing; they may lie outside the picture",
    ),
    Key(
        "clips", "masks_px", "polygons", (), "px",
        "polygons in the picture where no ball is looked for",
    ),
    Key(
        "clips", "blur_px", "polygons", (), "px",
        "polygons in the picture that are blurred in pictures and videos of the report and in "
        "exported labels",
    ),
    Key(
        "clips", "readout_s", "number", None, "s",
        "time from the first row's exposure to the last row's; left out: estimated", 0, 0.1,
    ),
    Key(
        "clips", "exposure_s", "number", None, "s",
        "shutter time; left out: estimated", 1e-5, 0.1,
    ),
    Key(
        "match", "best_of", "whole", 0, "",
        "a match of the best of so many games, of which the score is followed; 0: no match", 0, 9,
    ),
    Key(
        "match", "first_server", "choice", "unknown", "",
        "end of the player who serves first; unknown: found out", choices=("unknown", "A", "B"),
    ),
    Key("points", "clip", "text", ..., "", "name of the clip"),
    Key("points", "t_s", "number", ..., "s", "any time within the rally, on the clip's own clock"),
    Key("points", "server", "choice", "", "", "end that served", choices=("", "A", "B")),
    Key(
        "points", "winner", "choice", "", "", "end that won the point; let: nobody did",
        choices=("", "A", "B", "let"),
    ),
    Key("touches", "clip", "text", ..., "", "name of the clip"),
    Key("touches", "t_s", "number", ..., "s", "time of the touch, on the clip's own clock"),
    Key(
        "touches", "was", "choice", "", "", "what it was; none: nothing was touched",
        choices=("", "none"),
    ),
    Key("touches", "player", "choice", "", "", "end of who struck", choices=("", "A", "B")),
    Key("targets", "name", "text", ..., "", "what the zone is called"),
    Key(
        "targets", "corners_m", "outline", ..., "m",
        "corners (x, y) of a zone of the table that was to be hit, three or more",
    ),
    Key("report", "language", "text", "en", "", "of the report, where no other is asked for"),
    Key(
        "report", "blur", "choice", "no", "",
        "what is blurred in its pictures and videos beside blur_px; heads: what moves where "
        "players' heads can be", choices=("no", "heads"),
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class BallFacts:
    """The ball, as a person said."""

    colour: str  # "unknown", "white" or "orange"
    radius_m: float
    detector: str  # "auto", "classical", "network", or the absolute path of a file


@dataclass(frozen=True, slots=True)
class AirFacts:
    """The air of the hall, as a person said."""

    temperature_C: float
    humidity_percent: float
    altitude_m: float
    pressure_hPa: float | None


@dataclass(frozen=True, slots=True)
class ClipEntry:
    """One recording of a session."""

    name: str
    path: Path  # absolute
    kind: str  # "play", "serves", "feed", "drop" or "marks"
    chapters: tuple[Path, ...]  # absolute; what follows `path` without a gap
    end_a: str  # "auto", "left", "right", "near" or "far"
    table: int
    corners_px: tuple[tuple[float, float], ...] | None
    masks_px: tuple[tuple[tuple[float, float], ...], ...]
    blur_px: tuple[tuple[tuple[float, float], ...], ...]
    readout_s: float | None
    exposure_s: float | None

    @property
    def files(self) -> tuple[Path, ...]:
        """All files of the recording in order."""
        return (self.path, *self.chapters)


@dataclass(frozen=True, slots=True)
class MatchFacts:
    """What kind of play it was, as a person said."""

    best_of: int = 0  # 0: no match, no score
    first_server: str = "unknown"  # "unknown", "A" or "B"


@dataclass(frozen=True, slots=True)
class ReportFacts:
    """What the report shall be like, as a person said."""

    language: str = "en"
    blur: str = "no"  # "no" or "heads"


@dataclass(frozen=True, slots=True)
class PointWord:
    """A person's word on one rally."""

    clip: str
    t_s: float  # within the rally
    server: str  # "", "A" or "B"
    winner: str  # "", "A", "B" or "let"


@dataclass(frozen=True, slots=True)
class SaidTouch:
    """A person's word on one touch."""

    clip: str
    t_s: float
    was: str  # "" or "none"
    player: str  # "", "A" or "B"


@dataclass(frozen=True, slots=True)
class TargetZone:
    """A zone of the table that was to be hit."""

    name: str
    corners_m: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Session:
    """What a person said about a session: the content of session.toml, checked."""

    folder: Path
    venue: str
    ball: BallFacts
    air: AirFacts
    player_a: str
    player_b: str
    clips: tuple[ClipEntry, ...]
    match: MatchFacts = MatchFacts()
    points: tuple[PointWord, ...] = ()
    touches: tuple[SaidTouch, ...] = ()
    targets: tuple[TargetZone, ...] = ()
    date: datetime.date | None = None
    report: ReportFacts = ReportFacts()

    def clip(self, name: str) -> ClipEntry:
        """The clip of that name.

        Raises
        ------
        BadSession
            If no clip has it.
        """
        for entry in self.clips:
            if entry.name == name:
                return entry
        known = ", ".join(entry.name for entry in self.clips)
        raise BadSession(f"no clip is named {name!r} in this session; it has {known}")


def read_session(folder: Path | str) -> Session:
    """What session.toml of a folder says, checked.

    Parameters
    ----------
    folder : Path or str
        The session folder.

    Returns
    -------
    Session
        Every value within its range; paths absolute; clip names unique.

    Raises
    ------
    BadSession
        If there is no session, the file is no TOML, or a key or value is not allowed. The message
        names the line, the key and, for a misspelt key, the nearest one that exists.
    """
    folder = Path(folder)
    path = folder / FILE_NAME
    try:
        text = path.read_text(encoding="utf-8")
    except (FileNotFoundError, NotADirectoryError):
        raise BadSession(_no_session(folder)) from None
    except (OSError, UnicodeDecodeError) as error:
        raise BadSession(f"{path} cannot be read ({error}); mend or replace the file") from None
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadSession(f"{path} is not valid TOML: {error}") from None
    return _Reader(path, text, data).session()


def _no_session(folder: Path) -> str:
    if folder.is_file():
        return f"{folder} is a file, not a session; start one with: halfvolley new FOLDER {folder}"
    if folder.is_dir():
        return f"{folder} has no {FILE_NAME}; start a session with: halfvolley new FOLDER CLIP"
    return f"no such session folder: {folder}; start one with: halfvolley new {folder} CLIP"


_TABLES: dict[str, type] = {
    "ball": dict, "air": dict, "players": dict, "clips": list, "match": dict, "points": list,
    "touches": list, "targets": list, "report": dict,
}  # fmt: skip


class _Reader:
    """Walks the parsed file along `KEYS`; every complaint names line and key."""

    def __init__(self, path: Path, text: str, data: dict[str, Any]) -> None:
        self.path = path
        self.data = data
        self.lines = KeyLines(text)

    def session(self) -> Session:
        self._check_tables()
        top = self._table("", {k: v for k, v in self.data.items() if k not in _TABLES}, 0)
        if top["schema_version"] > SCHEMA_VERSION:
            raise self._error(
                "", 0, "schema_version",
                f"is {top['schema_version']}, newer than this program knows ({SCHEMA_VERSION}); "
                "update halfvolley",
            )  # fmt: skip
        ball = self._table("ball", self.data.get("ball", {}), 0)
        air = self._table("air", self.data.get("air", {}), 0)
        players = self._table("players", self.data.get("players", {}), 0)
        return Session(
            folder=self.path.parent,
            venue=top["venue"],
            date=top["date"],
            ball=BallFacts(**ball),
            air=AirFacts(**air),
            player_a=players["A"],
            player_b=players["B"],
            clips=self._clips(),
            match=self._match(),
            report=ReportFacts(**self._table("report", self.data.get("report", {}), 0)),
            points=self._points(),
            touches=tuple(SaidTouch(**t) for t in self._many("touches")),
            targets=tuple(TargetZone(**t) for t in self._many("targets")),
        )

    def _match(self) -> MatchFacts:
        match = MatchFacts(**self._table("match", self.data.get("match", {}), 0))
        if match.best_of and match.best_of % 2 == 0:
            raise self._error(
                "match", 0, "best_of",
                f"is {match.best_of}, expected an odd number of games, or 0 where it is no match",
            )  # fmt: skip
        return match

    def _points(self) -> tuple[PointWord, ...]:
        return tuple(PointWord(**point) for point in self._many("points"))

    def _many(self, table: str) -> list[dict[str, Any]]:
        return [self._table(table, values, i) for i, values in enumerate(self.data.get(table, []))]

    def _clips(self) -> tuple[ClipEntry, ...]:
        entries: list[ClipEntry] = []
        for i, table in enumerate(self.data.get("clips", [])):
            values = self._table("clips", table, i)
            values["name"] = self._clip_name(values["name"], values["path"], i)
            if values["name"].casefold() in {e.name.casefold() for e in entries}:
                raise self._error(
                    "clips", i, "name",
                    f"{values['name']!r} is used by two clips; give this one another name",
                )  # fmt: skip
            entries.append(ClipEntry(**values))
        if not entries:
            raise BadSession(f"{self.path} names no clip; add [[clips]] with a path")
        return tuple(entries)

    def _clip_name(self, said: str | None, path: Path, i: int) -> str:
        name = path.stem if said is None else said
        # the name becomes part of file names in report/
        if not name or name.startswith(".") or re.search(r'[\x00-\x1f/\\:*?"<>|]', name):
            raise self._error(
                "clips", i, "name", f"{name!r} cannot be part of a file name; set another name"
            )
        return name

    def _check_tables(self) -> None:
        top = [key.name for key in KEYS if key.table == ""]
        for name, value in self.data.items():
            if name not in _TABLES and name not in top:
                near = _nearest(name, [*_TABLES, *top])
                raise BadSession(f"{self.path}, line {self.lines.of('', 0, name)}: {name!r} {near}")
            wanted = _TABLES.get(name)
            if wanted is not None and not isinstance(value, wanted):
                mark = f"[[{name}]]" if wanted is list else f"[{name}]"
                line = self.lines.of("", 0, name)
                raise BadSession(f"{self.path}, line {line}: {name!r} must be a table {mark}")
        for name in (n for n, kind in _TABLES.items() if kind is list):
            for i, item in enumerate(self.data.get(name, [])):
                if not isinstance(item, dict):
                    raise BadSession(
                        f"{self.path}: {name} {i + 1} must be a table under [[{name}]]"
                    )

    def _table(self, table: str, values: Mapping[str, Any], index: int) -> dict[str, Any]:
        keys = {key.name: key for key in KEYS if key.table == table}
        for name in values:
            if name not in keys:
                raise self._error(table, index, name, _nearest(name, list(keys)))
        result: dict[str, Any] = {}
        for name, key in keys.items():
            if name in values:
                result[name] = self._value(key, values[name], index)
            elif key.default is ...:
                raise self._error(table, index, "", f"needs {name} ({key.meaning})")
            else:
                result[name] = key.default
        return result

    def _value(self, key: Key, value: Any, index: int) -> Any:
        try:
            return _READ[key.kind](key, value, self.path.parent)
        except _Wrong as wrong:
            raise self._error(key.table, index, key.name, str(wrong)) from None

    def _error(self, table: str, index: int, name: str, what: str) -> BadSession:
        line = self.lines.of(table, index, name)
        where = f"{table}.{name}" if table and name else table or name
        if _TABLES.get(table) is list:
            where = f"{table}[{index + 1}].{name}" if name else f"{table}[{index + 1}]"
        return BadSession(f"{self.path}, line {line}: {where} {what}")


class _Wrong(Exception):
    """A value is not what its key needs; the reader adds line and name."""


def _nearest(name: str, valid: list[str]) -> str:
    near = difflib.get_close_matches(name, valid, n=1, cutoff=0.5)
    if near:
        return f"is not a key here; did you mean {near[0]}?"
    return f"is not a key here; known are {', '.join(sorted(valid))}"


def _number(key: Key, value: Any, folder: Path) -> float:
    del folder
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise _Wrong(f"is {value!r}, expected a number{f' in {key.unit}' if key.unit else ''}")
    if not key.low <= value <= key.high:
        unit = f" {key.unit}" if key.unit else ""
        raise _Wrong(f"is {value:g}{unit}, expected {key.low:g} to {key.high:g}{unit}")
    return float(value)


def _whole(key: Key, value: Any, folder: Path) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise _Wrong(f"is {value!r}, expected a whole number")
    return int(_number(key, value, folder))


def _text(key: Key, value: Any, folder: Path) -> str:
    del key, folder
    if not isinstance(value, str):
        raise _Wrong(f"is {value!r}, expected text in quotes")
    return value


def _day(key: Key, value: Any, folder: Path) -> datetime.date:
    del key, folder
    try:
        # in TOML a day stands without quotes; with them it is meant as well
        day = datetime.date.fromisoformat(value) if isinstance(value, str) else value
    except ValueError:
        day = None
    if type(day) is not datetime.date:
        raise _Wrong(f"is {value!r}, expected a day as 2026-01-31")
    return day


def _choice(key: Key, value: Any, folder: Path) -> str:
    if value not in key.choices:
        raise _Wrong(f"is {value!r}, expected one of {', '.join(key.choices)}")
    return _text(key, value, folder)


def _path(key: Key, value: Any, folder: Path) -> Path:
    text = _text(key, value, folder)
    if not text:
        raise _Wrong("is empty, expected the path of a video file")
    return (folder / Path(text).expanduser()).absolute()


def _detector(key: Key, value: Any, folder: Path) -> str:
    text = _text(key, value, folder)
    if text in DETECTORS:
        return text
    if not text.endswith(".onnx"):
        raise _Wrong(f"is {text!r}, expected {', '.join(DETECTORS)} or the path of an .onnx file")
    return str(_path(key, text, folder))


def _paths(key: Key, value: Any, folder: Path) -> tuple[Path, ...]:
    if not isinstance(value, list):
        raise _Wrong(f"is {value!r}, expected a list of paths")
    return tuple(_path(key, item, folder) for item in value)


def _points(value: Any, what: str) -> tuple[tuple[float, float], ...]:
    def number(v: Any) -> bool:
        return isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v)

    good = isinstance(value, list) and all(
        isinstance(p, list) and len(p) == 2 and all(number(v) for v in p) for p in value
    )
    if not good:
        raise _Wrong(f"is not {what}; write [[u, v], [u, v], ...] in pixels")
    return tuple((float(u), float(v)) for u, v in value)


def _corners(key: Key, value: Any, folder: Path) -> tuple[tuple[float, float], ...]:
    del key, folder
    points = _points(value, "four points")
    if len(points) != 4:
        raise _Wrong(f"has {len(points)} points, expected four")
    return points


def _polygons(key: Key, value: Any, folder: Path) -> tuple[tuple[tuple[float, float], ...], ...]:
    del key, folder
    if not isinstance(value, list):
        raise _Wrong("must be a list of polygons, each a list of points [u, v]")
    polygons = tuple(_points(polygon, "a list of polygons") for polygon in value)
    for i, polygon in enumerate(polygons):
        if len(polygon) < 3:
            raise _Wrong(f"has {len(polygon)} points in polygon {i + 1}, expected three or more")
    return polygons


def _outline(key: Key, value: Any, folder: Path) -> tuple[tuple[float, float], ...]:
    del key, folder
    try:
        points = _points(value, "corners")
    except _Wrong:
        raise _Wrong("is not a list of corners; write [[x, y], [x, y], ...] in metres") from None
    if len(points) < 3:
        raise _Wrong(f"has {len(points)} corners, expected three or more")
    return points


_READ = {
    "number": _number,
    "day": _day,
    "outline": _outline,
    "whole": _whole,
    "text": _text,
    "choice": _choice,
    "path": _path,
    "detector": _detector,
    "paths": _paths,
    "corners": _corners,
    "polygons": _polygons,
}


class KeyLines:
    """Where each key of a TOML text stands; tomllib does not say it."""

    _HEADER = re.compile(r"\s*(\[\[?)\s*([\w.\"'-]+)\s*\]")
    _KEY = re.compile(r"\s*[\"']?([\w-]+)[\"']?\s*[.=]")

    def __init__(self, text: str) -> None:
        self._at: dict[tuple[str, int, str], int] = {}
        table, index = "", 0
        count: dict[str, int] = {}
        for number, line in enumerate(text.splitlines(), start=1):
            if header := self._HEADER.match(line):
                table = header[2].strip("\"'")
                index = count.get(table, 0) if header[1] == "[[" else 0
                count[table] = index + 1
                self._at.setdefault((table, index, ""), number)
                self._at.setdefault(("", 0, table), number)
            elif key := self._KEY.match(line):
                self._at.setdefault((table, index, key[1]), number)

    def of(self, table: str, index: int, name: str) -> int:
        """Line of a key, else of its table, else 1."""
        for place in ((table, index, name), (table, index, ""), ("", 0, table)):
            if place in self._at:
                return self._at[place]
        return 1
