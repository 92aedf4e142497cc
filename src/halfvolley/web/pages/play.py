"""Play: the film with its flights, the table from above, time, rallies; and a person's word."""

import asyncio
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from nicegui import ui
from nicegui.element import Element

from halfvolley.errors import HalfvolleyError
from halfvolley.session.edit import add_point, undo_point
from halfvolley.session.records import read_records
from halfvolley.session.schema import FILE_NAME, read_session
from halfvolley.session.tables import MANIFEST
from halfvolley.types import ClipInfo
from halfvolley.web.pages.frame import (
    bar,
    clip_tabs,
    guarded,
    measure_button,
    open_session,
    trouble_page,
    writer_banner,
)
from halfvolley.web.parts import announce, note, quoted, tag
from halfvolley.web.play_data import Json, play_data, rally_data
from halfvolley.web.state import SessionState
from halfvolley.web.work import cut_rally

if TYPE_CHECKING:
    from halfvolley.web.app import Bench


class PlayView(Element, component="play.js"):
    """The canvases of the screen."""

    def __init__(self, base: str, info: ClipInfo, play: Json, words: int) -> None:
        super().__init__()
        self.props["base"] = base
        self.props["times"] = np.round(info.pts_s, 4).tolist()
        self.props["size"] = list(info.size_px)
        self.props["play"] = play
        self.props["editable"] = True
        self.props["words"] = words


async def play(bench: "Bench", key: str, clip: str) -> None:
    """Draw the screen."""
    try:
        state, session = await open_session(bench, key)
        session.clip(clip)
    except HalfvolleyError as error:
        trouble_page(str(error))
        return
    ui.page_title(f"{state.title}: play - halfvolley")
    bar(key, state.title, "play", clip)
    may_write = writer_banner(bench, state.folder)
    with tag("div", "", "fill", id="main", tabindex="-1"):
        tag("h1", f"Play: {clip}", "unseen")
        clip_tabs(key, "play", state, clip)
        if not state.measured:
            _not_yet(bench, state)
            return
        if state.due:
            _stale(bench, state)
        place = tag("div", "", "fill")
    try:
        info, data, words = await asyncio.to_thread(_read, bench, state.folder, clip)
    except HalfvolleyError as error:
        with place:
            note(str(error), "trouble")
        return
    with place:
        base = f"/picture/{key}/{quoted(clip)}"
        view = PlayView(base, info, data, words)
    view.on("say", lambda event: guarded(may_write, _say)(state.folder, clip, view, event.args))
    view.on("cut", lambda event: _cut(bench, state.folder, clip, int(event.args)))
    view.on("undo", lambda: guarded(may_write, _undo)(state.folder, clip, view))


def _read(bench: "Bench", folder: Path, clip: str) -> tuple[ClipInfo, Json, int]:
    session = read_session(folder)
    entry = session.clip(clip)
    bench.places.check(session, [entry])
    info = bench.films.of(entry.files).info
    files = (folder / FILE_NAME, folder / "tables" / MANIFEST)
    stamps = tuple(path.stat().st_mtime_ns if path.is_file() else 0 for path in files)
    return info, _kept_data(folder, clip, stamps), len(session.points)


@lru_cache(maxsize=4)
def _kept_data(folder: Path, clip: str, stamps: tuple[int, ...]) -> Json:
    """As `play_data`; coming back to a long clip shall not take its time again."""
    del stamps  # when session.toml and the result were written
    return play_data(folder, clip)


def _not_yet(bench: "Bench", state: SessionState) -> None:
    with tag("div", "", "empty lone"):
        job = bench.jobs.current(state.folder)
        if job is not None:
            tag("h2", "Being measured")
            tag("p", "Rallies and bounces appear here when it has finished. Below you see how far "
                "it is; you may close this window meanwhile.")  # fmt: skip
            return
        tag("h2", "Not measured yet")
        tag("p", "Measuring finds the table, the ball, its flights and bounces. It takes about "
            "five to ten times as long as the clip.")  # fmt: skip
        measure_button(bench, state)


def _stale(bench: "Bench", state: SessionState) -> None:
    with tag("div", "", "banner"):
        tag("p", f"Something was changed since this was measured: {state.due[0].why}. The flight "
            "cannot be drawn on the film until it is measured again.")  # fmt: skip
        measure_button(bench, state, "small")


def _say(folder: Path, clip: str, view: PlayView, said: dict[str, Any]) -> None:
    session = add_point(
        read_session(folder), clip, round(float(said["t"]), 3), server=str(said.get("server", "")),
        winner=str(said.get("winner", "")),
    )  # fmt: skip
    _show(folder, clip, view, len(session.points))
    announce("Kept. It counts in the statistics and the next report.")


def _cut(bench: "Bench", folder: Path, clip: str, rally: int) -> None:
    try:
        bench.jobs.start(
            folder, f"Video of rally {rally}", cut_rally, remakes=False, clip=clip, rally=rally
        )
    except HalfvolleyError as error:
        announce(str(error), "trouble")


def _undo(folder: Path, clip: str, view: PlayView) -> None:
    session = undo_point(read_session(folder))
    _show(folder, clip, view, len(session.points))
    announce("Taken back.")


def _show(folder: Path, clip: str, view: PlayView, words: int) -> None:
    view.props["play"] = view.props["play"] | {"rallies": rally_data(read_records(folder), clip)}
    view.props["words"] = words
    view.update()
