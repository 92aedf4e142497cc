"""Play: the film with its flights, the table from above, time, rallies; and a person's word."""

import asyncio
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from nicegui import ui
from nicegui.element import Element

from halfvolley.errors import HalfvolleyError
from halfvolley.session.edit import add_point, add_touch, put_back, take_back
from halfvolley.session.manifest import MANIFEST
from halfvolley.session.records import read_records
from halfvolley.session.schema import FILE_NAME, read_session
from halfvolley.types import ClipInfo
from halfvolley.web.pages.frame import (
    bar,
    clip_tabs,
    measure_button,
    open_session,
    trouble_page,
    writer_banner,
)
from halfvolley.web.parts import announce, note, quoted, tag
from halfvolley.web.pictures import open_film
from halfvolley.web.play_data import Json, play_data, said_data
from halfvolley.web.state import NAMES, SessionState, session_state
from halfvolley.web.work import cut_video

if TYPE_CHECKING:
    from halfvolley.web.app import Bench


class PlayView(Element, component="play.js"):
    """The canvases of the screen."""

    def __init__(self, base: str, info: ClipInfo, play: Json, fresh: bool, undoable: str) -> None:
        super().__init__()
        self.props["base"] = base
        self.props["times"] = np.round(info.pts_s, 4).tolist()
        self.props["size"] = list(info.size_px)
        self.props["play"] = play
        self.props["editable"] = True
        self.props["fresh"] = fresh
        self.props["undoable"] = undoable


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
        banner = tag("div")
        place = tag("div", "", "fill")
    _stale(bench, state, banner)
    try:
        info, data = await asyncio.to_thread(_read, bench, state.folder, clip)
    except HalfvolleyError as error:
        with place:
            note(str(error), "trouble")
        return
    words = _Words(bench, state, clip, banner)
    with place:
        base = f"/picture/{key}/{quoted(clip)}"
        view = words.view = PlayView(base, info, data, not state.due, words.changes.newest)
    for event, act in (
        ("say", words.say_rally), ("touch", words.say_touch), ("back", words.take_back),
        ("undo", words.undo),
    ):  # fmt: skip
        view.on(event, words.guarded(may_write, act))
    view.on("cut", lambda event: _cut(bench, state.folder, clip, [int(i) for i in event.args]))


def _read(bench: "Bench", folder: Path, clip: str) -> tuple[ClipInfo, Json]:
    session = read_session(folder)
    entry = session.clip(clip)
    bench.places.check(session, [entry])
    film = open_film(bench, session, entry)
    bench.glances.prepare(bench, session, entry, film)
    files = (folder / FILE_NAME, folder / "tables" / MANIFEST)
    stamps = tuple(path.stat().st_mtime_ns if path.is_file() else 0 for path in files)
    return film.info, _kept_data(folder, clip, stamps)


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
        tag("p", "Measuring finds the table, the ball, its flights and bounces. It takes less "
            "time than the clip plays, on most machines.")  # fmt: skip
        measure_button(bench, state)


def _stale(bench: "Bench", state: SessionState, banner: Element) -> None:
    """Say what of the screen is older than what a person said."""
    banner.clear()
    if not state.due:
        return
    words = (
        f"Something was changed since this was measured: {state.due[0].why}. The flight cannot "
        "be drawn on the film until it is measured again."
    )
    if {stage.name for stage in state.due} <= {NAMES["match"], NAMES["tables"]}:
        words = (
            "Rallies and statistics follow when the session is measured again; that takes seconds."
        )
        if state.session is not None and state.session.touches:
            words = f"Corrected touches are marked. {words}"
    with banner, tag("div", "", "banner"):
        tag("p", words)
        measure_button(bench, state, "small")


class _Words:
    """A person's corrections of one clip: said, taken back, undone."""

    def __init__(self, bench: "Bench", state: SessionState, clip: str, banner: Element) -> None:
        self._bench, self._state, self._clip, self._banner = bench, state, clip, banner
        self._folder = state.folder
        self.changes = bench.changes(state.folder, f"play/{clip}")
        self.view: PlayView

    def guarded(self, may_write: Any, act: Callable[..., str]) -> Callable[..., Any]:
        """A word that is written where this window may, and shown at once."""

        async def doing(event: Any) -> None:
            if not may_write():
                announce("Another window writes to this session; choose Write here instead first.",
                         "trouble")  # fmt: skip
                return
            try:
                said = await asyncio.to_thread(act, event.args)
                data, state = await asyncio.to_thread(self._now)
            except HalfvolleyError as error:
                announce(str(error), "trouble")
                return
            self.view.props["play"] = self.view.props["play"] | data
            self.view.props["fresh"] = not state.due
            self.view.props["undoable"] = self.changes.newest
            self.view.update()
            _stale(self._bench, state, self._banner)
            announce(said)

        return doing

    def say_rally(self, said: Json) -> str:
        """Who won or served."""
        add_point(
            read_session(self._folder), self._clip, round(float(said["t"]), 3),
            server=str(said.get("server", "")), winner=str(said.get("winner", "")),
        )  # fmt: skip
        self.changes.did("the correction", lambda s: take_back(s, "points", len(s.points) - 1))
        return "Kept. It counts in the statistics and the next report."

    def say_touch(self, said: Json) -> str:
        """What a touch was, or who struck."""
        add_touch(
            read_session(self._folder), self._clip, round(float(said["t"]), 4),
            was=str(said.get("was", "")), player=str(said.get("player", "")),
        )  # fmt: skip
        self.changes.did("the correction", lambda s: take_back(s, "touches", len(s.touches) - 1))
        return "Kept, and marked. Rallies are read anew when you measure again."

    def take_back(self, said: Json) -> str:
        """Any word, by its place."""
        table, index = str(said["table"]), int(said["index"])
        session = read_session(self._folder)
        words = session.points if table == "points" else session.touches
        take_back(session, table, index)
        self.changes.did("taking back", lambda s: put_back(s, table, index, words[index]))
        return "Taken back."

    def undo(self, said: object) -> str:
        """The newest change of these."""
        del said
        self.changes.undo()
        return "Taken back."

    def _now(self) -> tuple[Json, SessionState]:
        state = session_state(self._folder, self._state.title)
        return said_data(read_records(self._folder), self._clip), state


def _cut(bench: "Bench", folder: Path, clip: str, numbers: list[int]) -> None:
    kind = read_session(folder).clip(clip).kind
    one, several = {"serves": ("serve", "serves"), "feed": ("stroke", "strokes")}.get(
        kind, ("rally", "rallies")
    )
    said = f"{', '.join(map(str, numbers[:6]))}{' …' if len(numbers) > 6 else ''}"
    title = f"Video of {one if len(numbers) == 1 else several} {said}"
    try:
        bench.jobs.start(folder, title, cut_video, remakes=False, clip=clip, numbers=numbers)
    except HalfvolleyError as error:
        announce(str(error), "trouble")
