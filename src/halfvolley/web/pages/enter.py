"""The way into a session: to what was measured, else to the camera."""

from typing import TYPE_CHECKING

from nicegui import ui

from halfvolley.errors import HalfvolleyError
from halfvolley.web.pages.frame import trouble_page
from halfvolley.web.parts import quoted
from halfvolley.web.state import session_state

if TYPE_CHECKING:
    from halfvolley.web.app import Bench


def enter(bench: "Bench", key: str) -> None:
    """Go on to the screen that is of use now."""
    try:
        folder = bench.places.session(key)
    except HalfvolleyError as error:
        trouble_page(str(error))
        return
    state = session_state(folder, folder.name)
    if state.session is None:
        trouble_page(state.trouble)
        return
    screen = "play" if state.measured and not state.due else "camera"
    ui.navigate.to(f"/s/{key}/{screen}/{quoted(state.session.clips[0].name)}")
