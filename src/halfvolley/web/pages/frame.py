"""What all screens of one session share: the bar, who writes, and what to do about trouble."""

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nicegui import ElementFilter, ui

from halfvolley.errors import BadSession, HalfvolleyError
from halfvolley.session.schema import Session
from halfvolley.web.pages.theme import theme_button
from halfvolley.web.parts import announce, button, link, note, quoted, tag, window
from halfvolley.web.state import SessionState, session_state
from halfvolley.web.undo import Changes
from halfvolley.web.work import measure_all

if TYPE_CHECKING:
    from halfvolley.web.app import Bench

SCREENS = (("camera", "Clip and camera"), ("ball", "Ball"), ("labels", "Labels"),
           ("detector", "Detector"), ("play", "Play"), ("report", "Report"))  # fmt: skip


async def open_session(bench: "Bench", key: str) -> tuple[SessionState, Session]:
    """The session that a screen is about, and how it stands.

    Raises
    ------
    BadSession
        If there is none, or its session.toml cannot be read.
    """
    folder = bench.places.session(key)
    state = await asyncio.to_thread(session_state, folder, folder.name)
    if state.session is None:
        raise BadSession(state.trouble)
    return state, state.session


async def reading(read: Callable[..., Any], *said: Any) -> Any:
    """What a function gives; that a large clip is being read is said where it takes long."""
    place = tag("div", "", "reading")
    with place:
        tag("p", "Reading the clip. A large one takes a while the first time …", role="status")
        link("All sessions", "/")
    try:
        return await asyncio.to_thread(read, *said)
    finally:
        place.delete()


def bar(key: str, title: str, current: str, clip: str) -> None:
    """The bar of a session's screens."""
    with tag("header", "", "bar"):
        link("halfvolley", "/", "brand", aria_label="halfvolley, all sessions")
        tag("span", title, "where grow")
        with tag("nav", "", "steps", aria_label="Screens of this session"):
            for name, words in SCREENS:
                here = "page" if name == current else None
                link(words, f"/s/{key}/{name}/{quoted(clip)}", aria_current=here)
        theme_button()


def writer_banner(bench: "Bench", folder: Path) -> Callable[[], bool]:
    """Says where another window writes to the session; gives the question whether this one may."""
    me = window()
    place = tag("div")
    shown = False

    def may_write() -> bool:
        return bench.writers.ask(folder, me)

    def look() -> None:
        nonlocal shown
        if may_write() == (not shown):
            return
        shown = not shown
        place.clear()
        if not shown:
            return
        with place, tag("div", "", "banner", role="status"):
            tag("p", "This session is open in another window, which writes to it. "
                "You can look at everything here.")  # fmt: skip
            button("Write here instead", take, "small")

    def take() -> None:
        bench.writers.take(folder, me)
        look()

    look()
    ui.timer(1.0, look)
    return may_write


def guarded(may_write: Callable[[], bool], act: Callable[..., Any]) -> Callable[..., None]:
    """An act that writes: refused where another window does, and its errors said in words."""

    def doing(*said: Any) -> None:
        if not may_write():
            announce("Another window writes to this session; choose Write here instead first.",
                     "trouble")  # fmt: skip
            return
        try:
            act(*said)
        except HalfvolleyError as error:
            announce(str(error), "trouble")

    return doing


def redraw() -> None:
    """Draw the screen again, as things are now."""
    for screen in ElementFilter(kind=ui.sub_pages):
        screen.refresh()


def taken_back() -> None:
    """Say that a change was undone, and show it."""
    announce("Taken back.")
    redraw()


def undo_button(
    changes: Changes, may_write: Callable[[], bool], after: Callable[[], None] = taken_back
) -> None:
    """Takes back the newest change of a screen, where there is one, and calls `after`."""

    def undo() -> None:
        changes.undo()
        after()

    if changes.newest:
        button(f"Undo {changes.newest}", guarded(may_write, undo))


def clip_tabs(key: str, screen: str, state: SessionState, current: str) -> None:
    """Which clip, where a session has several."""
    if state.session is None or len(state.session.clips) < 2:
        return
    with tag("nav", "", "clip-tabs", aria_label="Clips"):
        for entry in state.session.clips:
            here = "true" if entry.name == current else None
            link(entry.name, f"/s/{key}/{screen}/{quoted(entry.name)}", aria_current=here)


def trouble_page(words: str) -> None:
    """Instead of a screen that cannot be shown."""
    with tag("header", "", "bar"):
        link("halfvolley", "/", "brand")
        tag("span", "", "grow")
        theme_button()
    with tag("div", "", "page narrow", id="main", tabindex="-1"):
        tag("h1", "This cannot be shown")
        note(words, "trouble")
        link("All sessions", "/", "button")


def start_measuring(bench: "Bench", folder: Path) -> None:
    """Begin the main job, where the session's clips may be read."""
    from halfvolley.session.schema import read_session

    try:
        bench.places.check(read_session(folder))
        bench.jobs.start(folder, "Measuring", measure_all)
        announce("Measuring has begun. You can go on looking meanwhile.")
    except HalfvolleyError as error:
        announce(str(error), "trouble")


def measure_button(bench: "Bench", state: SessionState, look: str = "main") -> None:
    """Begins the main job, where something is out of date and nothing is at work."""
    if state.due and not state.trouble and bench.jobs.current(state.folder) is None:
        words = "Measure again" if state.measured else "Measure"
        button(words, lambda: start_measuring(bench, state.folder), look)
