"""The command line: one short function a command; parse, call one public function, print.

Exit status 0: done, also when the answer is that there is no ball. 1: not done; one plain sentence
says why and what to do. 2: wrong use. 130: stopped by Ctrl-C.
"""

import datetime
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from halfvolley.cli_labels import labels_app
from halfvolley.cli_library import library_app
from halfvolley.cli_train import train_app
from halfvolley.cli_workbench import workbench
from halfvolley.terminal import console, plain_errors, progress_bars

if TYPE_CHECKING:
    from halfvolley.session.pipeline import Measured

app = typer.Typer(
    name="halfvolley",
    help="Table tennis measured from one ordinary camera: bounces, flights, speeds and spins in "
    "metres, each with its error.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
app.add_typer(labels_app)
app.add_typer(library_app)
app.command()(workbench)
app.add_typer(train_app)

SessionFolder = Annotated[Path, typer.Argument(help="The session folder.", metavar="SESSION")]


def main() -> None:
    """Run the command line."""
    app()


def _show_version(wanted: bool) -> None:
    if wanted:
        from halfvolley.session.store import package_versions

        python = ".".join(map(str, sys.version_info[:3]))
        words = [f"{name} {version}" for name, version in package_versions().items()]
        typer.echo("\n".join([*words, f"python {python}"]))
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option(
            "--version",
            callback=_show_version,
            is_eager=True,
            help="Show the version and those of the libraries, for bug reports.",
        ),
    ] = False,
) -> None:
    pass


@app.command()
@plain_errors
def demo(
    folder: Annotated[
        Path, typer.Argument(help="Where to; made if it does not exist.", metavar="[FOLDER]")
    ] = Path("demo"),
    seed: Annotated[
        int,
        typer.Option(help="Another number makes another game; a folder that holds one keeps it."),
    ] = 1,
    duration_s: Annotated[float, typer.Option(min=2.0, max=120.0, help="Length [s].")] = 8.0,
    video: Annotated[bool, typer.Option(help="Also draw the flight into the clip.")] = True,
) -> None:
    """Make footage of an invented game, measure it, and report.

    The made clip's truth is known, so the demo also says how far off the measurement is.
    """
    from halfvolley.report import write_report
    from halfvolley.session.demo import compare_with_truth, comparison_words, demo_session
    from halfvolley.session.pipeline import measure

    with progress_bars() as progress:
        session = demo_session(folder, seed=seed, duration_s=duration_s, progress=progress)
        measure(session.folder, progress=progress)
        page = write_report(session.folder, video=video, progress=progress)
    _print_result(folder)
    comparison = compare_with_truth(session.folder)
    if comparison is not None:
        typer.echo("\n" + comparison_words(comparison))
    typer.echo(f"\nReport: {page}")


@app.command()
@plain_errors
def new(
    folder: Annotated[Path, typer.Argument(help="The new session folder.", metavar="FOLDER")],
    clips: Annotated[list[Path], typer.Argument(help="Video files.", metavar="CLIP...")],
    colour: Annotated[
        str, typer.Option(help="Colour of the ball: white, orange or unknown.")
    ] = "unknown",
    venue: Annotated[str, typer.Option(help="Where it was filmed.")] = "",
    date: Annotated[
        datetime.datetime | None,
        typer.Option(
            formats=["%Y-%m-%d"],
            metavar="YYYY-MM-DD",
            help="Day on which it was filmed; left out: as the first recording says.",
        ),
    ] = None,
    drop: Annotated[
        list[Path] | None, typer.Option(help="A clip of a ball let fall on the table.")
    ] = None,
    marks: Annotated[
        list[Path] | None,
        typer.Option(help="A clip of a ball laid on marks, see calibrate --verify."),
    ] = None,
) -> None:
    """Start a session: a folder with session.toml for some clips."""
    from halfvolley.session.edit import add_clip, new_session
    from halfvolley.video import probe, recorded_on

    drops, marked = drop or [], marks or []
    infos = [probe(clip) for clip in (*clips, *drops, *marked)]
    day = recorded_on(clips[0]) if date is None else date.date()
    session = new_session(folder, clips, colour=colour, venue=venue, date=day)
    for path in drops:
        session = add_clip(session, path, kind="drop")
    for path in marked:
        session = add_clip(session, path, kind="marks")
    for entry, info in zip(session.clips, infos, strict=True):
        width, height = info.size_px
        seconds = info.pts_s[-1] - info.pts_s[0] + info.frame_interval_s
        typer.echo(
            f"{entry.name}: {width} x {height}, {1.0 / info.frame_interval_s:.2f} frames/s, "
            f"{seconds:.1f} s"
        )
        for warning in info.warnings:
            typer.echo(f"  note: {warning}")
    if day is not None:
        typer.echo(f"filmed on {day}")
    typer.echo(f"Wrote {folder / 'session.toml'}. Next: halfvolley measure {folder}")


@app.command()
@plain_errors
def calibrate(
    folder: SessionFolder,
    clip: Annotated[
        str | None,
        typer.Option(
            help="Name of the clip; by default all of the session. With --verify also the file of "
            "a new one."
        ),
    ] = None,
    corners: Annotated[
        str | None,
        typer.Option(
            metavar='"U,V U,V U,V U,V"',
            help="Corners of the playing surface in px at (x, y) = (-,-) (-,+) (+,+) (+,-); they "
            "may lie outside the picture. 'auto' takes given corners back.",
        ),
    ] = None,
    table: Annotated[
        int | None, typer.Option(min=1, max=9, help="Which table, where several fit; 1: largest.")
    ] = None,
    end_a: Annotated[
        str | None, typer.Option(help="Which end is A: left, right, near, far or auto.")
    ] = None,
    verify: Annotated[
        bool,
        typer.Option(
            "--verify",
            help="Check the camera with a ball laid on marks of the table; says how to film it.",
        ),
    ] = False,
) -> None:
    """Find the camera from the table, and draw the table's model over the first frame.

    What is given here is written to session.toml.
    """
    from halfvolley.report.calibration import calibrate_and_draw
    from halfvolley.session.edit import marks_clips, set_clip
    from halfvolley.session.schema import read_session

    session = read_session(folder)
    names = [entry.name for entry in session.clips] if clip is None else [clip]
    if verify:
        session, names = marks_clips(session, clip)
        if not names:
            from halfvolley.report.checks import GUIDE

            typer.echo(GUIDE)
            return
    said: dict[str, Any] = {}
    if corners is not None:
        said["corners_px"] = None if corners == "auto" else _parse_corners(corners)
    if table is not None:
        said["table"] = table
    if end_a is not None:
        said["end_a"] = end_a
    names = [session.clip(name).name for name in names]
    if corners not in (None, "auto") and (end_a, table) != (None, None):
        raise typer.BadParameter(
            "the order of --corners says which end is A, and they which table; leave out --end-a "
            "and --table"
        )
    if corners is not None and len(names) > 1:
        raise typer.BadParameter("corners belong to one clip; name it with --clip")
    for name in names:
        if said:
            session = set_clip(session, name, **said)
        with progress_bars() as progress:
            drawn = calibrate_and_draw(session, name, progress=progress)
        for words in drawn.words:
            typer.echo(words)
        typer.echo(f"Picture: {drawn.picture}")
        if verify:
            _verify(folder, name)


@app.command()
@plain_errors
def measure(
    folder: SessionFolder,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only say what is out of date, and why.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Say it for machines.")] = False,
) -> None:
    """The main job: run what is out of date; tables, maps and a summary."""
    from halfvolley.session.pipeline import measure, plan_measure

    if dry_run:
        _print_plan(plan_measure(folder), as_json)
        return
    with progress_bars() as progress:
        result = measure(folder, progress=progress)
        page = folder / "report" / "report.html"
        due = bool(result.did) or _is_older(page, result.tables / "manifest.json")
        if due:
            from halfvolley.report import write_report

            write_report(folder, progress=progress)
    if as_json:
        _print_json(result)
    elif due:
        _print_result(folder)
        for clip, words in result.ran:
            typer.echo(f"{clip}: {words}")
        typer.echo(f"\nTables: {result.tables}\nReport: {page}")
    else:
        typer.echo(f"Nothing to do: all is up to date. Tables: {result.tables}")


@app.command()
@plain_errors
def report(
    folder: SessionFolder,
    paper: Annotated[str, typer.Option(help="Of the PDF: A4 or letter.")] = "A4",
    language: Annotated[
        str | None,
        typer.Option(help="Of the report: en or de; that of session.toml where it is left out."),
    ] = None,
    video: Annotated[
        bool, typer.Option("--video", help="Also draw the flight into each clip.")
    ] = False,
    rally: Annotated[
        list[int] | None,
        typer.Option(
            help="Also draw the flight into this rally, numbered as in the report (through all "
            "clips); may be given several times."
        ),
    ] = None,
    slow: Annotated[
        float, typer.Option(min=1.0, max=20.0, help="How many times slower videos are shown.")
    ] = 1.0,
) -> None:
    """The report for people: one HTML page, a PDF, every figure and table as a file.

    On demand also the clips or chosen rallies with the flight drawn in.
    """
    from halfvolley.report import write_report

    rallies = rally or []
    if slow != 1.0 and not (video or rallies):
        raise typer.BadParameter("--slow goes with --video or --rally N")
    with progress_bars() as progress:
        page = write_report(
            folder, paper=paper, language=language, video=video, rallies=rallies, slow=slow,
            progress=progress,
        )  # fmt: skip
    _print_result(folder)
    typer.echo(f"\nReport: {page}\nOn paper: {page.with_suffix('.pdf')}")


@app.command()
@plain_errors
def point(
    folder: SessionFolder,
    clip: Annotated[
        str | None, typer.Option(help="Name of the clip; needed where several.")
    ] = None,
    at_s: Annotated[
        float | None, typer.Option("--at-s", help="Any time within the rally [s].")
    ] = None,
    winner: Annotated[str, typer.Option(help="End that won the point: A, B or let.")] = "",
    server: Annotated[str, typer.Option(help="End that served: A or B.")] = "",
    undo: Annotated[bool, typer.Option("--undo", help="Take back the last word.")] = False,
) -> None:
    """Correct who won or served a rally; kept in session.toml, the last word counts."""
    from halfvolley.session.edit import add_point, undo_point
    from halfvolley.session.schema import read_session

    session = read_session(folder)
    if undo:
        undo_point(session)
        typer.echo("Took back the last word on a rally.")
        return
    if at_s is None or not (winner or server):
        raise typer.BadParameter("say which rally with --at-s, and its --winner or --server")
    if clip is None and len(session.clips) > 1:
        raise typer.BadParameter("the session has several clips; name one with --clip")
    name = session.clips[0].name if clip is None else clip
    add_point(session, name, at_s, server=server, winner=winner)
    typer.echo(f"Wrote it down. It counts from the next: halfvolley report {folder}")


def _verify(folder: Path, name: str) -> None:
    from halfvolley.report.checks import marks_checks
    from halfvolley.report.console import print_check
    from halfvolley.session.pipeline import verify_clip
    from halfvolley.session.schema import read_session

    with progress_bars() as progress:
        check = verify_clip(read_session(folder), name, progress=progress)
    print_check(marks_checks(check), console())
    typer.echo(f"It is on the report after: halfvolley measure {folder}")


def _is_older(page: Path, tables: Path) -> bool:
    """Whether a page is missing or of before some tables: the last run was stopped in between.

    `report.is_current` knows more, but its room takes longer to load than a run with nothing to do.
    """
    return not page.is_file() or page.stat().st_mtime_ns < tables.stat().st_mtime_ns


def _parse_corners(text: str) -> tuple[tuple[float, ...], ...]:
    try:
        points = tuple(tuple(float(v) for v in point.split(",")) for point in text.split())
    except ValueError:
        points = ()
    if len(points) != 4 or any(len(point) != 2 for point in points):
        raise typer.BadParameter(
            f'corners must be four points "u,v u,v u,v u,v" in pixels, got {text!r}'
        )
    return points


def _print_plan(steps: Any, as_json: bool) -> None:
    if as_json:
        rows = [{"clip": s.clip, "stage": s.stage, "why": list(s.why)} for s in steps]
        typer.echo(json.dumps({"steps": rows}, indent=1))
        return
    stale = [step for step in steps if step.why]
    for step in stale:
        where = f"{step.clip}: " if step.clip else ""
        typer.echo(f"{where}{step.stage} would run ({'; '.join(step.why)})")
    if not stale:
        typer.echo("Nothing to do: all is up to date.")


def _print_result(folder: Path) -> None:
    from halfvolley.report.checks import read_checks
    from halfvolley.report.console import print_summary
    from halfvolley.session.read import read_summary

    print_summary(read_summary(folder), console(), read_checks(folder))


def _print_json(result: "Measured") -> None:
    from halfvolley.session.read import read_summary

    summary = read_summary(result.folder)
    clips = {
        clip.clip: {
            "bounces": len(clip.bounces),
            "strokes": len(clip.strokes),
            "rallies": len(clip.rallies),
            "warnings": list(clip.warnings),
        }
        for clip in summary.clips
    }
    content = {
        "tables": str(result.tables),
        "run": result.run,
        "did": [{"clip": clip, "stage": stage} for clip, stage in result.did],
        "clips": clips,
        "not_measured": dict(result.not_measured),
        "took_s": round(result.took_s, 3),
        "ran": dict(result.ran),
    }
    typer.echo(json.dumps(content, indent=1))


if __name__ == "__main__":
    main()
