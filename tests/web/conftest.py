"""A workbench of its own process on a folder with one made clip, and a browser to use it with."""

import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # importlib mode does not do it

from made_game import game
from running import serve


@dataclass
class Window:
    """A page of the browser, and what its console complained about."""

    page: object
    address: str
    complaints: list[str] = field(default_factory=list)

    def open(self, path: str) -> None:
        self.page.goto(self.address + path)


@pytest.fixture(scope="session")
def root(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("club")
    game(folder / "game.mp4")
    return folder


@pytest.fixture(scope="session")
def short_clip(tmp_path_factory) -> Path:
    """36 frames of the same game."""
    return game(tmp_path_factory.mktemp("film") / "game.mp4", duration_s=0.6)


@pytest.fixture(scope="session")
def served(root):
    running = serve(root)
    yield running
    running.end()


@pytest.fixture
def new_window(browser, served):
    """Opens windows of 1280 x 800, light or dark."""
    contexts = []

    def make(theme="light", address=None) -> Window:
        context = browser.new_context(viewport={"width": 1280, "height": 800}, color_scheme=theme)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(60_000)
        window = Window(page, address or served.address)
        page.on("console", lambda m: m.type == "error" and window.complaints.append(m.text))
        page.on("pageerror", lambda e: window.complaints.append(str(e)))
        return window

    yield make
    for context in contexts:
        context.close()
