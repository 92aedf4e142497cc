"""The result on the console, as a person reads it."""

from typing import TYPE_CHECKING

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from halfvolley.report.court import ellipse_95, finding
from halfvolley.report.words import (
    BOUNCE_HEADS,
    BOUNCE_UNITS,
    STROKE_HEADS,
    STROKE_UNITS,
    bounce_cells,
    camera_words,
    rally_words,
    stroke_rows,
    unknown_words,
)
from halfvolley.session.read import ClipSummary, Summary

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from halfvolley.report.checks import Checks

MANY = 24  # more rows than this are in the tables and the report


def print_summary(
    summary: Summary, console: Console, checks: "Mapping[str, Checks] | None" = None
) -> None:
    """Print a session's newest result.

    Parameters
    ----------
    summary : Summary
        As `read_summary` gives it.
    console : rich.console.Console
        Where to.
    checks : mapping of str to Checks, optional
        Of clips that show a ball on marks or a dropped ball.
    """
    for clip in summary.clips:
        _print_clip(clip, console, (checks or {}).get(clip.clip))
    for name, why in summary.not_measured:
        console.print(
            f"\n[bold]{escape(name)}[/bold] was not measured: {escape(why)}", soft_wrap=True
        )


def print_check(check: "Checks", console: Console) -> None:
    """Print the words and figures of a check."""
    for words in check.words:
        console.print(escape(words), soft_wrap=True)
    if check.rows:
        console.print(_table("In figures", check.heads, check.units, list(check.rows)))


def _print_clip(clip: ClipSummary, console: Console, check: "Checks | None") -> None:
    title = check.title if check is not None else finding(clip)
    console.print(f"\n[bold]{escape(clip.clip)}[/bold]  {escape(title)}", soft_wrap=True)
    console.print(f"[dim]{escape(camera_words(clip))}[/dim]", soft_wrap=True)
    if check is not None:
        print_check(check, console)
        for warning in clip.warnings:
            console.print(f"[yellow]Note:[/yellow] {escape(warning)}", soft_wrap=True)
        return
    for rally in clip.rallies[:MANY]:
        console.print(escape(rally_words(clip, rally)), soft_wrap=True)
    _more(len(clip.rallies), "rallies", console)
    if clip.bounces:
        rows = [
            bounce_cells(clip, i, row, 1e3 * ellipse_95(row)[0])
            for i, row in enumerate(clip.bounces[:MANY], start=1)
        ]
        console.print(_table("Bounces", BOUNCE_HEADS, BOUNCE_UNITS, rows))
        _more(len(clip.bounces), "bounces", console)
    if clip.strokes:
        rows = stroke_rows(clip)[:MANY]
        console.print(_table("Strokes", STROKE_HEADS, STROKE_UNITS, rows))
        _more(len(clip.strokes), "strokes", console)
    for words in unknown_words(clip):
        console.print(f"[dim]Not known: {escape(words)}.[/dim]", soft_wrap=True)
    for warning in clip.warnings:
        console.print(f"[yellow]Note:[/yellow] {escape(warning)}", soft_wrap=True)


def _more(n: int, what: str, console: Console) -> None:
    if n > MANY:
        console.print(f"[dim]… and {n - MANY} more {what} in tables/[/dim]", soft_wrap=True)


def _table(
    title: str, heads: "Sequence[str]", units: "Sequence[str]", rows: list[list[str]]
) -> Table:
    table = Table(title=title, title_justify="left", box=None, pad_edge=False, title_style="dim")
    for head, unit in zip(heads, units, strict=True):
        table.add_column(f"{head}\n[dim]{unit}[/dim]", justify="right", no_wrap=True)
    for row in rows:
        table.add_row(*(escape(cell) for cell in row))
    return table
