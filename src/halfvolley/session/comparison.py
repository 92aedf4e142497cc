"""Sessions, players and halves side by side: which strokes are held against which."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Literal

from halfvolley.errors import BadInput
from halfvolley.match.compare import Comparison, Group, compare_groups, halves
from halfvolley.match.kinds import guess_kind
from halfvolley.match.records import StrokeRecord
from halfvolley.session.many import StrokeFilter
from halfvolley.session.many_rows import plain_name
from halfvolley.session.records import Records, read_records

By = Literal["players", "sessions", "halves"]


@dataclass(frozen=True, slots=True)
class Compared:
    """What was held against what, and what was found."""

    by: By
    comparisons: tuple[Comparison, ...]
    looks: int  # differences that could be tested; p is adjusted for all of them together
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Played:
    """A session with its name on the page and its wanted strokes by player."""

    label: str
    records: Records
    by_player: dict[str, tuple[StrokeRecord, ...]]
    named: frozenset[str]


def compare_sessions(
    folders: Sequence[Path | str],
    by: By | None = None,
    wanted: StrokeFilter | None = None,
) -> Compared:
    """Strokes of sessions, players or halves side by side.

    Parameters
    ----------
    folders : sequence of Path or str
        One session or more.
    by : str, optional
        "players": every two players, over all sessions given. "sessions": each player with himself
        or herself in every two sessions. "halves": the first against the second half of the rallies
        of each session, for each player. Left out: players of one session, else sessions.
    wanted : StrokeFilter, optional
        Players, kinds and phases that are looked at.

    Returns
    -------
    Compared
        All differences are adjusted together for how many were looked at.

    Raises
    ------
    BadSession
        If a folder is no session, or has no complete result.
    BadInput
        If a session is given twice, or there is nothing to compare.
    """
    same = [Path(folder).resolve() for folder in folders]
    for i, path in enumerate(same):
        if path in same[:i]:
            raise BadInput(f"{folders[i]} is given twice; a session cannot be compared with itself")
    wanted = wanted or StrokeFilter()
    played = [_read(Path(folder), label, wanted)
              for folder, label in zip(folders, _labels(same), strict=True)]  # fmt: skip
    by = by or ("players" if len(played) == 1 else "sessions")
    pairs = {"players": _players, "sessions": _sessions, "halves": _halves}[by]
    found = list(pairs(played))
    if not found:
        raise BadInput(_nothing(by, played))
    comparisons = compare_groups(found)
    looks = sum(d.p == d.p for c in comparisons for d in c.differences)
    notes = [f"{p.label}: {note}" for p in played for note in p.records.notes]
    return Compared(by, comparisons, looks, tuple(notes))


def _read(folder: Path, label: str, wanted: StrokeFilter) -> _Played:
    records = read_records(folder)
    clips = records.summary.clips
    named = frozenset(plain_name(n) for c in clips for n in (c.player_a, c.player_b) if n)
    people = {plain_name(name).casefold() for name in wanted.players}
    by_player: dict[str, list[StrokeRecord]] = {}
    for stroke in records.strokes:
        player = plain_name(stroke.player)
        if (
            (not people or player.casefold() in people)
            and (not wanted.kinds or guess_kind(stroke).best in wanted.kinds)
            and (not wanted.phases or stroke.phase in wanted.phases)
        ):
            by_player.setdefault(player, []).append(stroke)
    groups = {name: tuple(strokes) for name, strokes in sorted(by_player.items())}
    return _Played(label, records, groups, named)


def _labels(folders: Sequence[Path]) -> list[str]:
    """As many of the last parts of the paths as tell them apart."""
    for n in range(1, max(len(folder.parts) for folder in folders)):
        names = ["/".join(folder.parts[-n:]) for folder in folders]
        if len(set(names)) == len(names):
            return names
    return [str(folder) for folder in folders]


def _players(played: Sequence[_Played]) -> Iterator[tuple[Group, Group]]:
    """Every two players; an end without a name is a player of one session only."""
    strokes: dict[str, tuple[StrokeRecord, ...]] = {}
    for session in played:
        for player, own in session.by_player.items():
            if len(played) == 1 or player in session.named:
                strokes[player] = (*strokes.get(player, ()), *own)
    groups = [Group(player, own) for player, own in sorted(strokes.items())]
    yield from combinations(groups, 2)


def _sessions(played: Sequence[_Played]) -> Iterator[tuple[Group, Group]]:
    players = sorted({player for session in played for player in session.by_player})
    for player in players:
        own = [s for s in played if player in s.named and player in s.by_player]
        groups = [Group(f"{player}, {s.label}", s.by_player[player]) for s in own]
        yield from combinations(groups, 2)


def _halves(played: Sequence[_Played]) -> Iterator[tuple[Group, Group]]:
    for session in played:
        where = f", {session.label}" if len(played) > 1 else ""
        for player, own in session.by_player.items():
            first, second = halves(own, session.records.rallies)
            if first or second:
                yield (
                    Group(f"{player}, first half{where}", first),
                    Group(f"{player}, second half{where}", second),
                )


def _nothing(by: By, played: Sequence[_Played]) -> str:
    there = ", ".join(sorted({player for s in played for player in s.by_player})) or "nobody"
    if by == "sessions":
        return (
            "nothing to compare: no player is named in two of these sessions; name the players in "
            "session.toml, or compare --by players or halves"
        )
    return f"nothing to compare by {by}: there are strokes of {there}"
