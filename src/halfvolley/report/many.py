"""A library of sessions on the console, as a person reads it."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from halfvolley.errors import Unknown
from halfvolley.match.intervals import Interval

if TYPE_CHECKING:
    from halfvolley.match.trends import PlayerTrends, Trend, Week
    from halfvolley.session.many import Library, PlayerEntry, SessionEntry, StrokeFilter

MANY = 24  # more rows than this are in the export
BY_WEEK = ("speed", "topspin", "share on the table")  # what a table of weeks has room for
DIGITS = {"m/s": 1, "rev/s": 0, "m": 2, "s": 2, "1": 2}

TREND_CAUTION = (
    "A trend is called one only where p, adjusted for all trends looked at together, is below "
    "0.05; each session counts once. 'Not shown' is not the same as steady."
)


def print_library(library: "Library", wanted: "StrokeFilter", console: Console) -> None:
    """Print sessions, players and what is not in the library.

    Parameters
    ----------
    library : Library
        Open.
    wanted : StrokeFilter
        Which strokes.
    console : rich.console.Console
        Where to.
    """
    sessions = library.sessions(wanted)
    console.print(f"[bold]{_count_words(sessions)}[/bold]  {_change_words(library)}")
    if wanted:
        n, perhaps = library.count(wanted)
        more = f"; of {perhaps} more it cannot be told, a value was not measured" if perhaps else ""
        matching = sum(s.matching > 0 for s in sessions)
        console.print(f"{_n(n, 'stroke')} of {_n(matching, 'session')} match{more}", soft_wrap=True)
    shown = [s for s in sessions if s.strokes and (s.matching or not wanted)]
    if shown:
        console.print(_session_table(shown, bool(wanted)))
    if len(shown) > MANY:
        console.print(f"[dim]… and {len(shown) - MANY} earlier ones[/dim]")
    players = library.players(wanted)
    if players:
        console.print(_player_table(players))
    undated = sum(s.date is None and not s.reason for s in sessions)
    if undated:
        console.print(
            f"[yellow]Note:[/yellow] no day is known of {_n(undated, 'session')}, which dates and "
            "trends leave out; write date = 2026-01-31 into session.toml",
            soft_wrap=True,
        )
    _print_left_out(library, sessions, bool(wanted), console)


def print_trends(trends: "Sequence[PlayerTrends]", console: Console) -> None:
    """Print weeks and trends of each player.

    Parameters
    ----------
    trends : sequence of PlayerTrends
        As `Library.trends` gives them.
    console : rich.console.Console
        Where to.
    """
    if not trends:
        console.print("No strokes of named players in sessions with a day: there is no trend.")
        return
    for player in trends:
        console.print(f"\n[bold]{escape(player.player)}[/bold]")
        console.print(_week_table(player))
        for trend in player.trends:
            console.print(escape(trend_words(trend)), soft_wrap=True)
    console.print(f"\n[dim]{TREND_CAUTION}[/dim]", soft_wrap=True)


def trend_words(trend: "Trend") -> str:
    """One trend in a sentence."""
    if isinstance(trend.per_week, Unknown):
        return f"{trend.what}: unknown, {trend.per_week.reason}"
    word = {"not shown": "no trend shown"}.get(trend.direction, trend.direction)
    scale, unit, digits = (1, f" {trend.unit}", DIGITS[trend.unit] + 1)
    if trend.unit == "1":
        scale, unit, digits = 100, " %", 1
    low, value, high = (
        scale * v for v in (trend.per_week.low, trend.per_week.value, trend.per_week.high)
    )
    p = "p < 0.001" if trend.p < 0.001 else f"p = {trend.p:.3f}"
    return (
        f"{trend.what}: {word}, {value:+.{digits}f}{unit} a week (95 %: {low:+.{digits}f} to "
        f"{high:+.{digits}f}), {trend.sessions} sessions, {p}"
    )


def interval_words(value: Interval | Unknown, *, percent: bool = False, digits: int = 0) -> str:
    """A number with its 95 % interval; a dash where it is unknown."""
    if isinstance(value, Unknown):
        return "–"
    scale = 100.0 if percent else 1.0
    low, middle, high = (scale * v for v in (value.low, value.value, value.high))
    return f"{middle:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})"


def _count_words(sessions: "Sequence[SessionEntry]") -> str:
    used = [s for s in sessions if s.strokes or not s.reason]
    strokes, rallies = sum(s.strokes for s in used), sum(s.rallies for s in used)
    return f"{_n(len(used), 'session')}, {_n(rallies, 'rally')}, {_n(strokes, 'stroke')}"


def _n(n: int, what: str) -> str:
    """A count in words."""
    return f"{n:,} {what if n == 1 else {'rally': 'rallies'}.get(what, what + 's')}"


def _change_words(library: "Library") -> str:
    read, gone = library.changes.read, library.changes.gone
    if not read and not gone:
        return "[dim]nothing has changed[/dim]"
    words = [f"{read} new or changed"] if read else []
    words += [f"{gone} gone"] if gone else []
    return f"[dim]{', '.join(words)}; read in {library.changes.took_s:.1f} s[/dim]"


def _session_table(sessions: "Sequence[SessionEntry]", filtered: bool) -> Table:
    table = Table(title="Sessions", title_justify="left", box=None, pad_edge=False,
                  title_style="dim")  # fmt: skip
    heads = ["day", "session", "players", "venue", "rallies", "strokes"]
    for head in heads + ["matching"] * filtered:
        number = head in ("rallies", "strokes", "matching")
        table.add_column(head, justify="right" if number else "left", overflow="fold")
    for s in sessions[-MANY:]:
        cells = [str(s.date or "–"), s.session, s.players or "–", s.venue or "–", str(s.rallies),
                 str(s.strokes), *[str(s.matching)] * filtered]  # fmt: skip
        table.add_row(*(escape(cell) for cell in cells))
    return table


def _player_table(players: "Sequence[PlayerEntry]") -> Table:
    title = "Players: medians with the middle half, shares with 95 %; rallies won are of all"
    table = Table(title=title, title_justify="left", box=None, pad_edge=False, title_style="dim")
    table.add_column("player\n", overflow="fold")
    for head, unit in (
        ("sessions", ""), ("strokes", ""), ("speed", "m/s"), ("topspin", "rev/s"),
        ("on the table", "%"), ("rallies won", "%"),
    ):  # fmt: skip
        table.add_column(f"{head}\n[dim]{unit}[/dim]", justify="right")
    for p in players:
        table.add_row(
            escape(p.player), str(p.sessions), str(p.strokes), _middle_half(p.speed_mps, 1),
            _middle_half(p.topspin_revps, 0), interval_words(p.on_table, percent=True),
            interval_words(p.won, percent=True),
        )  # fmt: skip
    return table


def _middle_half(three: tuple[float, float, float] | None, digits: int) -> str:
    if three is None:
        return "–"
    low, middle, high = three
    return f"{middle:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})"


def _print_left_out(
    library: "Library", sessions: "Sequence[SessionEntry]", filtered: bool, console: Console
) -> None:
    left_out = [(s.session, s.reason) for s in sessions if s.reason] + list(library.found.others)
    if not left_out:
        return
    if filtered:
        console.print(f"[dim]Not in the library: {_n(len(left_out), 'folder')}; without filters "
                      "it is said why[/dim]")  # fmt: skip
        return
    console.print("[dim]Not in the library[/dim]")
    for name, why in left_out[:MANY]:
        console.print(f"{escape(name)}: {escape(why)}", soft_wrap=True)
    if len(left_out) > MANY:
        console.print(f"[dim]… and {len(left_out) - MANY} more; --json lists all[/dim]")


def _week_table(player: "PlayerTrends") -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("week of\n", no_wrap=True)
    table.add_column("sessions\n", justify="right")
    shown = [t for t in player.trends if t.what in BY_WEEK]
    for trend in shown:
        unit = "%" if trend.unit == "1" else trend.unit
        table.add_column(f"{trend.what}\n[dim]{unit}, 95 %[/dim]", justify="right", no_wrap=True)
    for monday in sorted({w.monday for t in shown for w in t.weeks})[-MANY:]:
        of_week = [next((w for w in t.weeks if w.monday == monday), None) for t in shown]
        sessions = max(w.sessions for w in of_week if w is not None)
        cells = [_week_cell(w, t) for w, t in zip(of_week, shown, strict=True)]
        table.add_row(str(monday), str(sessions), *cells)
    return table


def _week_cell(week: "Week | None", trend: "Trend") -> str:
    if week is None:
        return "–"
    share = trend.unit == "1"
    return interval_words(week.mean, percent=share, digits=0 if share else DIGITS[trend.unit])
