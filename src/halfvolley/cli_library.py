"""`halfvolley library` and `halfvolley compare`: many sessions, and groups side by side."""

import datetime
import json
from dataclasses import asdict
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from halfvolley.terminal import console, plain_errors, progress_bars

if TYPE_CHECKING:
    from halfvolley.session.many import Library, StrokeFilter

library_app = typer.Typer()
DAY = {"formats": ["%Y-%m-%d"], "metavar": "YYYY-MM-DD"}
Json = Annotated[bool, typer.Option("--json", help="Say it for machines.")]
Players = Annotated[list[str] | None, typer.Option(help="Name of a player; may be repeated.")]
Kinds = Annotated[
    list[str] | None, typer.Option(help="Kind of stroke: serve, push, drive, loop and so on.")
]
Phases = Annotated[
    list[str] | None, typer.Option(help="serve, return, 'third ball' or rally; may be repeated.")
]


@library_app.command()
@plain_errors
def library(
    folder: Annotated[
        Path, typer.Argument(help="Folder with sessions at any depth.", metavar="FOLDER")
    ],
    player: Players = None,
    kind: Kinds = None,
    phase: Phases = None,
    own_serve: Annotated[
        bool | None,
        typer.Option("--own-serve/--others-serve", help="Rallies that the striker served, or not."),
    ] = None,
    zone: Annotated[
        list[str] | None,
        typer.Option(help="Bounce: short, half-long, long; left, middle, right; or 'long left'."),
    ] = None,
    since: Annotated[
        datetime.datetime | None, typer.Option("--from", help="First day.", **DAY)
    ] = None,
    until: Annotated[
        datetime.datetime | None, typer.Option("--to", help="Last day.", **DAY)
    ] = None,
    min_speed_mps: Annotated[float | None, typer.Option(help="Slowest stroke, in m/s.")] = None,
    max_speed_mps: Annotated[float | None, typer.Option(help="Fastest stroke, in m/s.")] = None,
    trends: Annotated[
        bool, typer.Option("--trends", help="How each player's numbers moved over the weeks.")
    ] = False,
    export: Annotated[
        Path | None,
        typer.Option(help="Write the strokes that match to a .csv, .parquet or .json file."),
    ] = None,
    index: Annotated[
        Path | None, typer.Option(help="Folder for the index; inside FOLDER where left out.")
    ] = None,
    rebuild: Annotated[
        bool, typer.Option("--rebuild", help="Read all sessions again, changed or not.")
    ] = False,
    as_json: Json = False,
) -> None:
    """All sessions below a folder as one: filters, players, trends over weeks, export.

    An index is built once; later only sessions that are new or changed are read.
    """
    from halfvolley.session.many import StrokeFilter, export_strokes, open_library

    wanted = StrokeFilter(
        players=tuple(player or ()), kinds=tuple(kind or ()), phases=tuple(phase or ()),
        own_serve=own_serve, zones=tuple(zone or ()),
        since=None if since is None else since.date(),
        until=None if until is None else until.date(),
        min_speed_mps=min_speed_mps, max_speed_mps=max_speed_mps,
    )  # fmt: skip
    with progress_bars() as progress:
        opened = open_library(folder, index=index, rebuild=rebuild, progress=progress)
        with opened as collected:
            if export is not None:
                export_strokes(collected.strokes(wanted), export)
            if as_json:
                _print(_library_json(collected, wanted, trends))
            else:
                _print_library(collected, wanted, trends, export)


class By(StrEnum):
    """What is held against what."""

    players = "players"
    sessions = "sessions"
    halves = "halves"


@library_app.command()
@plain_errors
def compare(
    folders: Annotated[
        list[Path], typer.Argument(help="One session folder or more.", metavar="SESSION...")
    ],
    by: Annotated[
        By | None,
        typer.Option(
            help="Every two players; each player in every two sessions; first and second half of "
            "the rallies. Left out: players of one session, else sessions."
        ),
    ] = None,
    player: Players = None,
    kind: Kinds = None,
    phase: Phases = None,
    as_json: Json = False,
) -> None:
    """Players, sessions or halves side by side; only what the data show is called a difference."""
    from halfvolley.session.comparison import compare_sessions
    from halfvolley.session.many import StrokeFilter

    wanted = StrokeFilter(tuple(player or ()), tuple(kind or ()), tuple(phase or ()))
    compared = compare_sessions(folders, None if by is None else by.value, wanted)
    if as_json:
        rows = [
            {
                "a": c.a.label, "b": c.b.label, "strokes_a": len(c.a.strokes),
                "strokes_b": len(c.b.strokes), "differences": [asdict(d) for d in c.differences],
            }
            for c in compared.comparisons
        ]  # fmt: skip
        _print({"by": compared.by, "looks": compared.looks, "comparisons": rows,
                "notes": list(compared.notes)})  # fmt: skip
        return
    from halfvolley.report.comparison import print_comparison

    print_comparison(compared, console())


def _print_library(
    collected: "Library", wanted: "StrokeFilter", trends: bool, export: Path | None
) -> None:
    from halfvolley.report.many import print_library, print_trends

    if trends:
        print_trends(collected.trends(wanted), console())
    else:
        print_library(collected, wanted, console())
    if export is not None:
        typer.echo(f"Wrote {collected.count(wanted)[0]} strokes to {export}")


def _library_json(collected: "Library", wanted: "StrokeFilter", trends: bool) -> dict[str, Any]:
    matching, unknown = collected.count(wanted)
    content = {
        "folder": str(collected.folder),
        "changes": asdict(collected.changes),
        "sessions": [asdict(s) for s in collected.sessions(wanted)],
        "no_sessions": [{"folder": name, "why": why} for name, why in collected.found.others],
        "matching_strokes": matching,
        "strokes_that_cannot_be_told": unknown,
        "players": [asdict(p) for p in collected.players(wanted)],
    }
    if trends:
        content["trends"] = [asdict(t) for t in collected.trends(wanted)]
    return content


def _print(content: Any) -> None:
    typer.echo(json.dumps(_finite(content), indent=1, ensure_ascii=False, default=str))


def _finite(value: Any) -> Any:
    """NaN is no JSON; what is unknown is null."""
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return None if isinstance(value, float) and value != value else value
