"""All sessions below a folder as one: filters, players, trends over weeks, export.

What a person asks for is bound to the questions as values; no name, folder or filter ever becomes
part of a question's text.
"""

import datetime
import io
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from halfvolley.errors import BadInput, Unknown
from halfvolley.match.compare import FEWEST
from halfvolley.match.intervals import Interval, wilson
from halfvolley.match.kinds import KINDS
from halfvolley.match.records import PHASES
from halfvolley.match.trends import PlayerTrends, SessionMean, Week, find_trends, weekly
from halfvolley.match.zones import DEPTHS, WIDTHS
from halfvolley.session.files import write_atomic
from halfvolley.session.many_index import (
    INDEX_FOLDER,
    Changes,
    Found,
    Progress,
    bring_up_to_date,
    find_sessions,
    open_for_reading,
)
from halfvolley.session.many_rows import plain_name

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

ZONES = (*DEPTHS, *WIDTHS)
FORMATS = (".csv", ".parquet", ".json")


@dataclass(frozen=True, slots=True)
class StrokeFilter:
    """Which strokes are wanted; what is left out asks for nothing."""

    players: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    phases: tuple[str, ...] = ()
    own_serve: bool | None = None  # in rallies that the striker served
    zones: tuple[str, ...] = ()  # "long", "left" or "long left"
    since: datetime.date | None = None
    until: datetime.date | None = None
    min_speed_mps: float | None = None
    max_speed_mps: float | None = None

    def __post_init__(self) -> None:
        _check("kind", self.kinds, KINDS)
        _check("phase", self.phases, PHASES)
        _check("zone", [word for zone in self.zones for word in zone.split()], ZONES)
        for zone in self.zones:
            words = zone.split()
            if not words or any(sum(w in part for w in words) > 1 for part in (DEPTHS, WIDTHS)):
                raise BadInput(f"no bounce lies in zone {zone!r}; say one depth, one width or both")
        if self.since and self.until and self.since > self.until:
            raise BadInput(f"from {self.since} until {self.until} there is no day")
        low, high = self.min_speed_mps, self.max_speed_mps
        if low is not None and high is not None and low > high:
            raise BadInput(f"no speed lies between {low:g} and {high:g} m/s")

    def __bool__(self) -> bool:
        return any(getattr(self, f.name) not in ((), None) for f in fields(self))


@dataclass(frozen=True, slots=True)
class SessionEntry:
    """A session of the library."""

    session: str
    date: datetime.date | None
    venue: str | None
    players: str | None
    clips: int
    rallies: int
    strokes: int
    reason: str | None  # why it, or a clip of it, is not in the library
    matching: int  # strokes that the filter lets through


@dataclass(frozen=True, slots=True)
class PlayerEntry:
    """A player's strokes that a filter lets through."""

    player: str
    sessions: int
    first: datetime.date | None
    last: datetime.date | None
    strokes: int
    speed_mps: tuple[float, float, float] | None  # quarter, median, three quarters
    topspin_revps: tuple[float, float, float] | None
    on_table: Interval | Unknown  # share, of those whose end is known
    won: Interval | Unknown  # share of all his or her rallies that were decided


@dataclass(frozen=True, slots=True)
class Library:
    """An index that is up to date, open for questions."""

    folder: Path
    found: Found
    changes: Changes
    db: "DuckDBPyConnection"

    def sessions(self, wanted: StrokeFilter | None = None) -> tuple[SessionEntry, ...]:
        """All sessions, those without a day first, then by day."""
        where, values = self._where(wanted)
        rows = self.db.execute(
            "SELECT session, date, venue, players, clips, rallies, strokes, reason, "
            f"coalesce(n, 0) FROM sessions LEFT JOIN (SELECT session AS s, count(*) AS n "
            f"FROM strokes WHERE {where} GROUP BY session) ON s = session "
            "ORDER BY date NULLS FIRST, session",
            values,
        ).fetchall()
        return tuple(SessionEntry(*row) for row in rows)

    def count(self, wanted: StrokeFilter | None = None) -> tuple[int, int]:
        """Strokes that a filter lets through, and those of which it cannot be told.

        Parameters
        ----------
        wanted : StrokeFilter, optional
            Which strokes.

        Returns
        -------
        tuple of int
            A stroke cannot be told where a value that the filter asks for was not measured, and
            all that was measured agrees.
        """
        conditions, values = self._conditions(wanted)
        sure = " AND ".join(conditions)
        possible = " AND ".join(f"({c}) IS NOT FALSE" for c in conditions)
        n, possibly = self.db.execute(
            f"SELECT count(*) FILTER ({sure}), count(*) FILTER ({possible}) FROM strokes",
            [*values, *values],
        ).fetchall()[0]
        return n, possibly - n

    def strokes(self, wanted: StrokeFilter | None = None) -> Any:
        """The strokes that a filter lets through, as an Arrow table."""
        where, values = self._where(wanted)
        return self.db.sql(
            f"SELECT * FROM strokes WHERE {where} ORDER BY date NULLS FIRST, session, clip, "
            "stroke_id",
            params=values,
        ).to_arrow_table()  # fmt: skip

    def players(self, wanted: StrokeFilter | None = None) -> tuple[PlayerEntry, ...]:
        """Every named player with the strokes that a filter lets through."""
        where, values = self._where(wanted)
        rows = self.db.execute(
            "SELECT player, count(DISTINCT session), min(date), max(date), count(*), "
            "quantile_cont(speed_mps, [0.25, 0.5, 0.75]), "
            "quantile_cont(topspin_revps, [0.25, 0.5, 0.75]), "
            "count(*) FILTER (fate = 'in'), count(fate) "
            f"FROM strokes WHERE player IS NOT NULL AND {where} GROUP BY player ORDER BY player",
            values,
        ).fetchall()
        won = {player: (w, n) for player, w, n in self.db.execute(_WON).fetchall()}
        return tuple(
            PlayerEntry(player, sessions, first, last, n, _three(speed), _three(spin),
                        wilson(hits, known), wilson(*won.get(player, (0, 0))))
            for player, sessions, first, last, n, speed, spin, hits, known in rows
        )  # fmt: skip

    def trends(self, wanted: StrokeFilter | None = None) -> tuple[PlayerTrends, ...]:
        """How each named player's numbers moved over the weeks.

        Parameters
        ----------
        wanted : StrokeFilter, optional
            Which strokes.

        Returns
        -------
        tuple of PlayerTrends
            Sessions without a day take no part. All trends are adjusted together for the number
            of looks.
        """
        where, values = self._where(wanted)
        weeks: dict[str, dict[str, list[Week]]] = {}
        means: dict[tuple[str, str, str], list[SessionMean]] = {}
        for what, unit, column in TRENDED:
            dated = f"FROM strokes WHERE player IS NOT NULL AND date IS NOT NULL AND {where}"
            numbers = f"count({column}), avg({column}), stddev_samp({column})"
            for player, monday, sessions, n, mean, sd in self.db.execute(
                f"SELECT player, date_trunc('week', date)::DATE AS week, count(DISTINCT session), "
                f"{numbers} {dated} GROUP BY ALL ORDER BY player, week",
                values,
            ).fetchall():
                week = weekly(monday, sessions, n, mean, sd, share=unit == "1")
                weeks.setdefault(player, {}).setdefault(what, []).append(week)
            for player, _, day, n, mean, _ in self.db.execute(
                f"SELECT player, session, date, {numbers} {dated} GROUP BY ALL "
                "ORDER BY player, date, session",
                values,
            ).fetchall():
                some = means.setdefault((player, what, unit), [])
                if n >= FEWEST:
                    some.append(SessionMean(day, n, mean))
        return find_trends(weeks, means)

    def _where(self, wanted: StrokeFilter | None) -> tuple[str, list[Any]]:
        conditions, values = self._conditions(wanted)
        return " AND ".join(conditions), values

    def _conditions(self, wanted: StrokeFilter | None) -> tuple[list[str], list[Any]]:
        """Conditions with marks for the values, and the values."""
        f = wanted or StrokeFilter()
        out: list[tuple[str, list[Any]]] = [("true", [])]
        for column, allowed in (
            ("player", self._players(f.players)), ("kind", f.kinds), ("phase", f.phases),
        ):  # fmt: skip
            if allowed:
                out.append((f"{column} IN ({', '.join('?' * len(allowed))})", list(allowed)))
        if f.zones:
            zones = [_zone(zone) for zone in f.zones]
            text = " OR ".join(f"({condition})" for condition, _ in zones)
            out.append((f"({text})", [word for _, words in zones for word in words]))
        for condition, value in (
            ("own_serve = ?", f.own_serve), ("date >= ?", f.since), ("date <= ?", f.until),
            ("speed_mps >= ?", f.min_speed_mps), ("speed_mps <= ?", f.max_speed_mps),
        ):  # fmt: skip
            if value is not None:
                out.append((condition, [value]))
        return [condition for condition, _ in out], [v for _, values in out for v in values]

    def _players(self, said: Sequence[str]) -> list[str]:
        """The library's spelling of names."""
        if not said:
            return []
        rows = self.db.sql("SELECT DISTINCT player FROM strokes WHERE player IS NOT NULL")
        known = sorted(player for (player,) in rows.fetchall())
        out: list[str] = []
        for name in said:
            same = [k for k in known if k.casefold() == plain_name(name).casefold()]
            if not same:
                there = ", ".join(known[:12]) or "none: no session names its players"
                raise BadInput(f"no player is called {name!r} here; there are {there}")
            out += same
        return out


TRENDED = (
    ("speed", "m/s", "speed_mps"),
    ("topspin", "rev/s", "topspin_revps"),
    ("net clearance", "m", "clearance_m"),
    ("depth of the bounce", "m", "depth_m"),
    ("time given to the opponent", "s", "given_s"),
    ("share on the table", "1", "CASE WHEN fate IS NOT NULL THEN (fate = 'in')::DOUBLE END"),
)

_WON = """
    SELECT player, count(*) FILTER (won), count(*)
    FROM (SELECT player_a AS player, winner = 'A' AS won FROM rallies WHERE winner IS NOT NULL
          UNION ALL
          SELECT player_b, winner = 'B' FROM rallies WHERE winner IS NOT NULL)
    WHERE player IS NOT NULL GROUP BY player
"""


@contextmanager
def open_library(
    folder: Path | str,
    *,
    index: Path | str | None = None,
    rebuild: bool = False,
    progress: Progress | None = None,
) -> Iterator[Library]:
    """All sessions below a folder; the index is brought up to date first.

    Parameters
    ----------
    folder : Path or str
        It is looked through at any depth.
    index : Path or str, optional
        Folder of the index; inside `folder` where it is left out.
    rebuild : bool
        Read all sessions again.
    progress : callable, optional
        Told what is being done and which share of it is done.

    Yields
    ------
    Library
        Sessions that cannot be read are in it with the reason.

    Raises
    ------
    BadInput
        If there is no such folder.
    StorageError
        If the index cannot be written or read.
    """
    folder = Path(folder)
    found = find_sessions(folder)
    where = folder / INDEX_FOLDER if index is None else Path(index)
    changes = bring_up_to_date(where, found, rebuild=rebuild, progress=progress)
    with open_for_reading(where) as db:
        yield Library(folder, found, changes, db)


def export_strokes(table: Any, path: Path | str) -> None:
    """Write strokes for other programs; the ending of the name says how.

    Parameters
    ----------
    table : pyarrow.Table
        As `Library.strokes` gives it.
    path : Path or str
        .csv, .parquet or .json.

    Raises
    ------
    BadInput
        If the ending is another.
    StorageError
        If it could not be written; what was there is there still.
    """
    import pyarrow.csv
    import pyarrow.parquet

    path = Path(path)
    stream = io.BytesIO()
    match path.suffix.lower():
        case ".csv":
            pyarrow.csv.write_csv(table, stream)
        case ".parquet":
            pyarrow.parquet.write_table(table, stream, compression="zstd")
        case ".json":
            text = json.dumps(table.to_pylist(), default=str, ensure_ascii=False, indent=1)
            stream.write(text.encode())
        case other:
            raise BadInput(f"{path} ends in {other or 'nothing'}; give {', '.join(FORMATS)}")
    write_atomic(path, stream.getvalue())


def _zone(zone: str) -> tuple[str, list[str]]:
    """A condition for "long", "left" or "long left"."""
    words = zone.split()
    columns = ["depth_third" if word in DEPTHS else "width_third" for word in words]
    return " AND ".join(f"{column} = ?" for column in columns), words


def _three(quantiles: list[float] | None) -> tuple[float, float, float] | None:
    if quantiles is None or quantiles[0] is None:
        return None
    low, middle, high = quantiles
    return low, middle, high


def _check(what: str, said: Sequence[str], allowed: Sequence[str]) -> None:
    for word in said:
        if word not in allowed:
            raise BadInput(f"no {what} is called {word!r}; there are {', '.join(allowed)}")
