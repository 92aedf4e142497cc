"""Report: names and what else is printed on it, a preview, and files to hand on."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from nicegui import ui

from halfvolley.errors import HalfvolleyError
from halfvolley.report import is_current
from halfvolley.report.language import languages
from halfvolley.report.videos import BLURRED, is_blurred
from halfvolley.session.edit import set_words
from halfvolley.session.read import read_summary
from halfvolley.session.schema import read_session
from halfvolley.web.pages.frame import (
    bar,
    guarded,
    measure_button,
    open_session,
    redraw,
    taken_back,
    trouble_page,
    undo_button,
    writer_banner,
)
from halfvolley.web.pages.targets import Targets
from halfvolley.web.parts import announce, button, choice, draft, link, note, quoted, tag
from halfvolley.web.state import SessionState
from halfvolley.web.undo import Restore
from halfvolley.web.work import draw_video, measure_all

if TYPE_CHECKING:
    from halfvolley.web.app import Bench


LANGUAGES = {"en": "English", "de": "Deutsch"}


async def report(bench: "Bench", key: str, clip: str) -> None:
    """Draw the screen."""
    try:
        state, _ = await open_session(bench, key)
    except HalfvolleyError as error:
        trouble_page(str(error))
        return
    ui.page_title(f"{state.title}: report - halfvolley")
    bar(key, state.title, "report", clip)
    may_write = writer_banner(bench, state.folder)
    with tag("div", "", "split", id="main", tabindex="-1"):
        with tag("div", "", "split-main"):
            tag("h1", "Report", "unseen")
            _preview(bench, key, state)
        with tag("aside", "", "side", aria_label="What is on the report"):
            typed = draft(f"{state.folder}/names")
            undo_panel(bench, state.folder, may_write, typed)
            _names(bench, state, may_write, typed)
            Targets(bench, state, may_write).draw()
            _language(bench, state, may_write)
            _faces(key, clip, state)
            if state.measured:
                _hand_on(bench, key, state)


def _preview(bench: "Bench", key: str, state: SessionState) -> None:
    page = state.folder / "report" / "report.html"
    if not state.measured or not page.is_file():
        with tag("div", "", "empty lone"):
            tag("h2", "No report yet")
            tag("p", "It is written at the end of measuring: maps, rallies, bounces and strokes "
                "on one page that needs no other file.")  # fmt: skip
            measure_button(bench, state)
            if not state.due and bench.jobs.current(state.folder) is None:
                button("Write the report", lambda: _renew(bench, state.folder), "main")
        return
    if state.due or not is_current(read_summary(state.folder)):
        with tag("div", "", "title-row"):
            note("Something was changed since this report was written.", "doubt").classes("grow")
            button("Bring it up to date", lambda: _renew(bench, state.folder), "main")
    # the page may run nothing: its names come from people
    tag("iframe", look="preview", src=f"/file/{key}/report.html", sandbox="",
        title="The report")  # fmt: skip


def undo_panel(
    bench: "Bench", folder: Path, may_write: Any, unkept: dict[str, Any] | None = None
) -> None:
    """Takes back what was said on this screen and on that of faces, the newest first.

    What is `unkept` on the screen then gives way to what was there before.
    """

    def undone() -> None:
        if unkept is not None:
            unkept.clear()
        taken_back()

    with tag("section", "", "panel"):
        undo_button(bench.changes(folder, "report"), may_write, undone)


def _renew(bench: "Bench", folder: Path) -> None:
    try:
        bench.places.check(read_session(folder))
        bench.jobs.start(folder, "Bringing the report up to date", measure_all)
    except HalfvolleyError as error:
        announce(str(error), "trouble")


def _kept(bench: "Bench", state: SessionState, what: str, restore: Restore) -> None:
    """After a word that the report prints: it can be undone, and a report that is there follows."""
    bench.changes(state.folder, "report").did(what, restore)
    if not state.measured:
        announce("Kept.")
    elif bench.jobs.current(state.folder) is None:
        _renew(bench, state.folder)
    else:
        announce("Kept. Bring the report up to date when the work below has finished.")
    redraw()


def _names(bench: "Bench", state: SessionState, may_write: Any, typed: dict[str, Any]) -> None:
    session = state.session
    assert session is not None
    old = {"A": session.player_a, "B": session.player_b}

    def keep() -> None:
        new = {end: name.strip() for end, name in (old | typed).items()}
        set_words(read_session(state.folder), "players", **new)
        typed.clear()
        _kept(bench, state, "the names", lambda s: set_words(s, "players", **old))

    with tag("section", "", "panel"):
        tag("h2", "Players")
        for end in ("A", "B"):
            with tag("div", "", "field wide"):
                tag("label", f"Name at end {end}", for_=f"player-{end}")
                box = tag("input", type="text", id=f"player-{end}", maxlength=60,
                          value=typed.get(end, old[end]), autocomplete="off")  # fmt: skip
                box.on("input", lambda event, end=end: typed.update({end: str(event.args)}),
                       js_handler="(e) => emit(e.target.value)")  # fmt: skip
        button("Keep the names", guarded(may_write, keep))


def _language(bench: "Bench", state: SessionState, may_write: Any) -> None:
    assert state.session is not None
    old = state.session.report.language

    def choose(code: str) -> None:
        set_words(read_session(state.folder), "report", language=code)
        _kept(bench, state, "the language",
              lambda s: set_words(s, "report", language=old))  # fmt: skip

    names = {code: LANGUAGES.get(code, code) for code in languages()}
    with tag("section", "", "panel"):
        choice("Language of the report", "language", names, old, guarded(may_write, choose))


def _faces(key: str, clip: str, state: SessionState) -> None:
    assert state.session is not None
    n = sum(len(entry.blur_px) for entry in state.session.clips)
    words = "Players are blurred where they move" if state.session.report.blur == "heads" else (
        "Players are shown as they were filmed"
    )  # fmt: skip
    if n:
        words += f"; {n} {'region is' if n == 1 else 'regions are'} blurred"
    with tag("section", "", "panel"):
        tag("h2", "Faces")
        tag("p", f"{words}, in pictures and videos.", "soft")
        link("Choose what is blurred", f"/s/{key}/faces/{quoted(clip)}", "button")


def _hand_on(bench: "Bench", key: str, state: SessionState) -> None:
    assert state.session is not None
    folder = state.folder
    blurred = is_blurred(state.session)
    with tag("section", "", "panel"):
        tag("h2", "To hand on")
        tag("p", "Ask everyone in the picture before you hand on pictures or video.", "soft")
        with tag("ul", "", "files"):
            for name, words in _files(folder):
                if blurred and name.endswith(".mp4") and BLURRED not in name:
                    words = f"Not blurred. {words}"
                with tag("li"):
                    tag("a", words, href=f"/file/{key}/{name}", download=name)
        ending = f"-overlay{BLURRED if blurred else ''}.mp4"
        if not any(name.endswith(ending) for name, _ in _files(folder)):
            button("Draw the flight into the clips", lambda: _video(bench, folder))


def _video(bench: "Bench", folder: Path) -> None:
    try:
        bench.places.check(read_session(folder))
        bench.jobs.start(folder, "Drawing the video", draw_video, remakes=False)
    except HalfvolleyError as error:
        announce(str(error), "trouble")


def _files(folder: Path) -> list[tuple[str, str]]:
    """Files of report/ and tables/ that can be handed on, and what they are."""
    out = []
    for path in _found(folder):
        words = _WORDS.get(path.suffix)
        if words is not None and path.is_file() and not path.name.startswith("."):
            out.append((path.name, f"{words}: {path.name}"))
    return out


def _found(folder: Path) -> list[Path]:
    report = folder / "report"
    return [
        *sorted(report.glob("*")), *sorted((report / "figures").glob("*")),
        *sorted((folder / "tables").glob("*.csv")),
    ]  # fmt: skip


_WORDS = {
    ".html": "The page", ".pdf": "To print", ".svg": "Figure to print", ".png": "Picture",
    ".mp4": "Video", ".csv": "Table",
}  # fmt: skip


def shown_files(folder: Path) -> dict[str, Path]:
    """By name, the files of a session that a browser may have."""
    names = {name for name, _ in _files(folder)}
    return {path.name: path for path in _found(folder) if path.name in names}
