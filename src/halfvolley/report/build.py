"""report/: one page for people, on demand on paper, with every figure and table as a file."""

import gc
import hashlib
import json
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from halfvolley.errors import BadInput
from halfvolley.report.document import Document, Section, drawings
from halfvolley.report.figures.save import Printed, alone, printed
from halfvolley.report.html import page_html
from halfvolley.report.language import Language
from halfvolley.report.material import Material, read_material
from halfvolley.report.pages.cover import cover_section, subtitle
from halfvolley.report.pages.lists import lists_section
from halfvolley.report.pages.methods import methods_section
from halfvolley.report.pages.player import player_section
from halfvolley.report.pages.quality import quality_section
from halfvolley.report.pages.rallies import rally_section
from halfvolley.report.pages.score import score_section
from halfvolley.report.photos import draw_cameras
from halfvolley.report.videos import Shown, make_videos
from halfvolley.session.files import storing, write_atomic
from halfvolley.session.read import Summary
from halfvolley.session.schema import FILE_NAME, read_session

PAGE, PAPER_PAGE, STAMP = "report.html", "report.pdf", "report.json"
FIGURES, TABLES = "figures", "tables"
PAPERS = ("A4", "letter")
COLLECT_EVERY = 4  # figures
LAYOUT = 2  # raise when the report looks different, so that old ones are made again
Progress = Callable[[str, float], None]


def write_report(
    folder: Path | str, *, paper: str | None = None, language: str | None = None,
    video: bool = False, rallies: Sequence[int] = (), slow: float = 1.0,
    progress: Progress | None = None,
) -> Path:  # fmt: skip
    """Write the report of a session's newest result.

    Parameters
    ----------
    folder : Path or str
        The session folder.
    paper : str, optional
        "A4" or "letter": also write the PDF, every figure as SVG and PNG, and the statistics as
        tables. Left out, only the HTML page.
    language : str, optional
        "en", or another one that there is a catalogue for; that of session.toml where it is left
        out.
    video : bool
        Whether the overlay videos of whole clips are made too; they take about as long as the
        clips.
    rallies : sequence of int
        Rallies to be drawn as videos, by their number in the report.
    slow : float
        How many times slower than the clips the videos are.
    progress : callable, optional
        Told what is being done and which share of it is done.

    Returns
    -------
    Path
        The HTML page.

    Raises
    ------
    BadInput
        If there is no such language, paper or rally.
    BadSession
        If it is no session, or has no complete result.
    StorageError
        If it could not be written.
    """
    tell = progress or (lambda text, share: None)
    if paper is not None and paper not in PAPERS:
        raise BadInput(f"no paper {paper!r}; there are {', '.join(PAPERS)}")
    language = language or read_session(folder).report.language
    material = read_material(Path(folder), Language(language))
    out = material.records.summary.folder / "report"
    videos = _videos_of(out, material)
    if video or rallies:
        videos |= make_videos(material, out, whole=video, rallies=rallies, slow=slow, tell=tell)
    document = make_document(material, videos)
    figures = _print_figures(document, out if paper else None, tell)
    write_atomic(out / PAGE, page_html(document, figures, material.say))
    if paper:
        from halfvolley.report.pdf import report_pdf
        from halfvolley.report.tables import statistics_files

        write_atomic(out / PAPER_PAGE, report_pdf(document, figures, material.say, paper))
        _write_files(out / TABLES, statistics_files(material))
    stamp = {"run": material.records.summary.run, "layout": LAYOUT, "language": language,
             "said": _said(out.parent), "videos": videos}  # fmt: skip
    write_atomic(out / STAMP, json.dumps(stamp, indent=1))
    return out / PAGE


def make_document(material: Material, videos: Mapping[str, Shown]) -> Document:
    """The report as sections; nothing is written but the pictures of the cameras.

    Parameters
    ----------
    material : Material
        The session.
    videos : mapping of str to Shown
        What each overlay video shows.
    """
    photos, camera_mm = draw_cameras(material)
    sections: list[Section | None] = [cover_section(material, videos)]
    with_strokes = [p for p in material.statistics.players if p.strokes.n]
    sections += [player_section(material, p, i) for i, p in enumerate(with_strokes, start=1)]
    if material.records.rallies:
        sections.append(rally_section(material))
    if material.records.score:
        sections.append(score_section(material))
    sections += [
        quality_section(material, photos, camera_mm), methods_section(material),
        lists_section(material),
    ]  # fmt: skip
    return Document(material.title, subtitle(material), tuple(s for s in sections if s is not None))


def is_current(summary: Summary) -> bool:
    """Whether the report shows this result, and what session.toml says now."""
    stamp = _stamp(summary.folder / "report")
    return (stamp.get("run"), stamp.get("layout"), stamp.get("said")) == (
        summary.run, LAYOUT, _said(summary.folder)
    )  # fmt: skip


def _said(folder: Path) -> str:
    """Names the content of session.toml: corrections and targets change the report too."""
    content = tomllib.loads((folder / FILE_NAME).read_text(encoding="utf-8"))
    said = {name: value for name, value in content.items() if value}  # what was taken back is gone
    return hashlib.sha256(json.dumps(said, default=str).encode()).hexdigest()[:16]


def _stamp(out: Path) -> dict[str, object]:
    try:
        stamp = json.loads((out / STAMP).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return stamp if isinstance(stamp, dict) else {}


def _print_figures(document: Document, out: Path | None, tell: Progress) -> dict[str, Printed]:
    """Each figure for the pages and, in a folder, as files of its own; one at a time in memory."""
    figures: dict[str, Printed] = {}
    names = []
    todo = drawings(document)
    for i, drawing in enumerate(todo):
        tell("drawing the report", i / len(todo))
        figure = drawing.draw()
        figures[drawing.key] = printed(figure, drawing.key, paper=out is not None)
        if out is not None:
            svg, png = alone(figure, drawing.title, drawing.note)
            for name, content in ((f"{drawing.key}.svg", svg), (f"{drawing.key}.png", png)):
                write_atomic(out / FIGURES / name, content)
                names.append(name)
        del figure
        if i % COLLECT_EVERY == 0:
            gc.collect()  # a figure's parts refer to each other, and there may be dozens of them
    tell("drawing the report", 1.0)
    if out is not None:
        _only(out / FIGURES, names)
    return figures


def _videos_of(out: Path, material: Material) -> dict[str, Shown]:
    """Overlay videos of this very result."""
    stamp = _stamp(out)
    videos = stamp.get("videos")
    same = (stamp.get("run"), stamp.get("layout")) == (material.records.summary.run, LAYOUT)
    if not same or not isinstance(videos, dict):
        return {}
    return {name: tuple(shown) for name, shown in videos.items() if (out / name).is_file()}


def _write_files(folder: Path, files: dict[str, bytes]) -> None:
    for name, content in files.items():
        write_atomic(folder / name, content)
    _only(folder, files)


def _only(folder: Path, names: Iterable[str]) -> None:
    """Remove what an older report left in its folder."""
    kept = set(names)
    for old in folder.iterdir() if folder.is_dir() else ():
        if old.name not in kept and old.suffix in (".svg", ".png", ".csv", ".parquet"):
            with storing(old):
                old.unlink()
