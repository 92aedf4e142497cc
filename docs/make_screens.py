"""Writes a picture of every screen and state of the workbench.

    python docs/make_screens.py docs/screens [SESSION]

Makes a small session in a folder of its own, which takes a few minutes, and needs Chromium.
"""

import io
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

SIZE = {"width": 1280, "height": 800}
TABLET = {"width": 820, "height": 1180}
NO_TORCH = """
from importlib.machinery import PathFinder
find = PathFinder.find_spec
PathFinder.find_spec = lambda name, *more: None if name == "torch" else find(name, *more)
"""
QUALITY = 80  # of WebP: text stays sharp, a picture below 60 kB


@contextmanager
def workbench(root: Path, *more: str, path: Path | None = None) -> Iterator[str]:
    """A running workbench: its address. Modules in `path` are found first."""
    command = [sys.executable, "-m", "halfvolley.cli", "workbench", str(root), "--no-browser"]
    # paths are shown from a person's own folder on
    environment = os.environ | {"HOME": str(root.parent), "USER": "coach", "LOGNAME": "coach"}
    if path is not None:
        environment["PYTHONPATH"] = os.pathsep.join((str(path), os.environ.get("PYTHONPATH", "")))
    process = subprocess.Popen(
        [*command, "--port", "0", *more], stdout=subprocess.PIPE, text=True, env=environment
    )
    assert process.stdout is not None
    found = re.search(r"http://\S+", process.stdout.readline())
    assert found is not None
    try:
        yield found[0].rstrip("/")
    finally:
        process.terminate()
        process.wait()


class Camera:
    """Takes pictures of pages, light and dark."""

    def __init__(self, browser: Browser, folder: Path) -> None:
        self._browser, self._folder = browser, folder

    def page(self, theme: str = "light") -> Page:
        """A new window."""
        context = self._browser.new_context(viewport=SIZE, color_scheme=theme)  # type: ignore[arg-type]
        return context.new_page()

    def tablet(self) -> Page:
        """A new window on an upright tablet."""
        context = self._browser.new_context(viewport=TABLET, has_touch=True, is_mobile=True)  # type: ignore[arg-type]
        return context.new_page()

    def take(self, page: Page, name: str, wait_ms: int = 1500) -> None:
        """Write what the window shows now."""
        page.wait_for_timeout(wait_ms)
        picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
        picture.save(self._folder / f"{name}.webp", quality=QUALITY, method=6)
        print(name)


def main(folder: Path, session: Path | None) -> None:
    """All of them; of a session that was measured already, where one is given."""
    folder.mkdir(parents=True, exist_ok=True)
    chromium = shutil.which("chromium") or shutil.which("google-chrome")
    with tempfile.TemporaryDirectory() as place, sync_playwright() as play:
        root = Path(place) / "club"
        root.mkdir()
        if session is not None:
            shutil.copytree(session, root / "demo")
        browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        camera = Camera(browser, folder)
        with workbench(root) as address:
            if session is None:
                _before_measuring(camera, address)
            _taught(camera, address)
            _measured(camera, address)
            _practised(camera, address)
            _trouble(camera, address, root)
        with workbench(root, path=_without_torch(Path(place))) as address:
            page = camera.page()
            page.goto(address)
            page.locator(".card .cover").click()
            page.get_by_role("link", name="Detector", exact=True).click()
            page.get_by_text("pip install").wait_for()
            camera.take(page, "detector-no-training")
        with workbench(root, "--host", "0.0.0.0") as address:
            page = camera.page()
            page.goto(address.replace("0.0.0.0", "127.0.0.1"))
            camera.take(page, "token")
        browser.close()


def _before_measuring(camera: Camera, address: str) -> None:
    page = camera.page()
    page.goto(address)
    page.get_by_text("No session yet").wait_for()
    camera.take(page, "home-empty")
    page.get_by_role("button", name="Make a demo").click()
    camera.take(page, "home-coming", 8000)
    page.locator(".jobs").get_by_text("looking for the ball").wait_for(timeout=600_000)
    page.reload()
    camera.take(page, "home-busy")
    page.locator(".card .cover").click()
    page.locator(".steps").wait_for()
    camera.take(page, "camera-busy")
    page.get_by_role("link", name="Play").click()
    camera.take(page, "play-busy")
    page.get_by_role("link", name="Labels").click()
    camera.take(page, "labels-none")
    page.get_by_text(re.compile("Measured:")).wait_for(timeout=900_000)
    page.context.close()


def _without_torch(place: Path) -> Path:
    """A folder of modules with which no PyTorch is found."""
    place.joinpath("sitecustomize.py").write_text(NO_TORCH)
    return place


def _taught(camera: Camera, address: str) -> None:
    """Detectors compared, and a training that runs and is stopped."""
    page = camera.page()
    page.goto(address)
    page.locator(".card .cover").click()
    page.get_by_role("link", name="Detector", exact=True).click()
    page.locator(".choices").wait_for()
    compare = page.get_by_role("button", name=re.compile("Compare them"))
    if compare.count():
        camera.take(page, "detector-not-compared")
        compare.click()
        page.get_by_text("were compared").wait_for(timeout=600_000)
    page.get_by_label("Minutes of training").select_option("3")
    page.get_by_role("button", name="Start training").click()
    page.get_by_text(re.compile("Step |First steps")).wait_for(timeout=600_000)
    page.locator(".curve").first.wait_for(timeout=600_000)
    camera.take(page, "detector-training")
    page.get_by_role("button", name="Stop").first.click()
    page.get_by_text("was stopped").wait_for()
    camera.take(page, "detector-stopped")
    page.get_by_role("button", name="Give it up").click()
    page.get_by_role("button", name="Start training").wait_for()
    page.context.close()


def _measured(camera: Camera, address: str) -> None:
    for theme in ("light", "dark"):
        page = camera.page(theme)
        page.goto(address)
        camera.take(page, f"home-{theme}")
        page.goto(f"{address}/new")
        camera.take(page, f"new-{theme}")
        page.goto(address)
        page.locator(".card .cover").click()
        page.locator(".rallies li").first.wait_for()
        for _ in range(5):
            page.keyboard.press("ArrowDown")
        for _ in range(6):
            page.keyboard.press("ArrowRight")
        camera.take(page, f"play-{theme}")
        page.get_by_role("button", name="In space").click()
        camera.take(page, f"play-space-{theme}")
        page.get_by_role("link", name="Clip and camera").click()
        page.get_by_role("button", name=re.compile("first corner")).first.focus()
        camera.take(page, f"camera-{theme}")
        page.get_by_role("link", name="Ball").click()
        for _ in range(3):
            page.keyboard.press("ArrowRight")
        page.get_by_role("button", name="Add a region").click()
        camera.take(page, f"ball-{theme}")
        page.get_by_role("link", name="Labels").click()
        camera.take(page, f"labels-{theme}")
        page.get_by_role("button", name="The ball", exact=True).click()
        page.get_by_role("button", name="Many at a glance").click()
        page.locator(".cell").nth(20).wait_for()
        for key in "rrrw":
            page.keyboard.press(key)
        camera.take(page, f"labels-sheet-{theme}", 4000)
        page.get_by_role("link", name="Detector", exact=True).click()
        page.locator(".crops img").first.wait_for()
        camera.take(page, f"detector-{theme}", 3000)
        page.get_by_role("link", name="Report").click()
        camera.take(page, f"report-{theme}")
        page.get_by_role("link", name="Choose what is blurred").click()
        page.get_by_label("Blur what moves").check()
        page.wait_for_timeout(2000)
        page.get_by_role("button", name="Add a region").click()
        camera.take(page, f"faces-{theme}", 3000)
        page.get_by_label("Leave players").check()
        page.wait_for_timeout(1000)
        page.context.close()


def _practised(camera: Camera, address: str) -> None:
    """Play on a tablet, then the same clip as if balls had been fed."""
    for page, name in ((camera.tablet(), "play-tablet"), (camera.page(), "")):
        page.goto(address)
        page.locator(".card .cover").click()
        page.locator(".rallies li").first.wait_for()
        if name:
            camera.take(page, name, 3000)
            page.context.close()
    for act in ("choose", "undo"):
        page.get_by_role("link", name="Clip and camera").click()
        if act == "choose":
            page.get_by_label("What it shows").select_option("feed")
        else:
            page.get_by_role("button", name="Undo what it shows").click()
        page.get_by_role("button", name="Measure again").click()
        page.get_by_text(re.compile("Measured:")).wait_for(timeout=900_000)
        page.get_by_role("link", name="Play").click()
        page.locator(".rallies li .rally").first.wait_for()
        if act == "choose":
            for _ in range(5):
                page.keyboard.press("ArrowDown")
            camera.take(page, "play-practice", 3000)
    page.context.close()


def _trouble(camera: Camera, address: str, root: Path) -> None:
    first, second = camera.page(), camera.page()
    for page in (first, second):
        page.goto(address)
        page.locator(".card .cover").click()
        page.locator(".rallies li").first.wait_for()
    camera.take(second, "play-second-window")
    session = next(root.glob("*/session.toml"))
    text = session.read_text(encoding="utf-8")
    session.write_text(text.replace("# exposure_s = 0.002", "exposure_s = 0.002"), encoding="utf-8")
    first.reload()
    camera.take(first, "play-stale")
    session.write_text(text.replace("[ball]", "[bal]"), encoding="utf-8")
    first.goto(address)
    camera.take(first, "home-trouble")
    session.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) > 2 else None)
