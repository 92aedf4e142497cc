"""How quickly does the workbench answer?

    python benchmarks/workbench.py SESSION    a measured session with labels; it is copied

Chromium and server share the machine, as they do with a person. Times are from the key or click to
the first frame that shows the answer, in ms; p95 over all tries, the first of each kind left out.
"""

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from pages import command, stamped, table, write_part
from playwright.sync_api import Browser, Page, Playwright, sync_playwright

from halfvolley.session.schema import read_session

TRIES = 20
KEYS = 60
PLAYED_S = 4.0
SHOWN = {
    "Clip and camera": ".corner", "Ball": ".candidates strong", "Labels": ".big",
    "Detector": ".choices", "Play": ".rallies li", "Report": "iframe",
}  # fmt: skip
# runs an act and tells how long it took until a frame showed that `done` holds
TIMED = """async ([act, done]) => {
  const holds = new Function(`return (${done});`);
  const start = performance.now();
  new Function(act)();
  while (!holds()) {
    if (performance.now() - start > 20000) throw new Error(`never: ${done}`);
    await new Promise(requestAnimationFrame);
  }
  await new Promise(requestAnimationFrame);
  return performance.now() - start;
}"""


# plays at full speed; for each frame of the screen how far the flight and the map are from the
# picture, and the picture from the clock
PLAYED = """async (seconds) => {
  const play = getElement(+document.querySelector('.play').id.slice(1));
  play.rate = 1;
  play.turn();
  const from = play.shown;
  while (play.shown === from) await new Promise(requestAnimationFrame);
  const start = performance.now();
  const first = play.times[play.shown];
  const out = { drawn: [], clock: [] };
  while (play.playing && performance.now() - start < 1000 * seconds) {
    const now = await new Promise(requestAnimationFrame);
    out.drawn.push(1000 * Math.abs(play.times[play.index] - play.times[play.shown]));
    out.clock.push(now - start - 1000 * (play.times[play.shown] - first));
  }
  return out;
}"""


@contextmanager
def serving(root: Path, *more: str) -> Iterator[tuple[str, int]]:
    """A running workbench: its address and process; `more` are options."""
    process = subprocess.Popen(
        [sys.executable, "-m", "halfvolley.cli", "workbench", str(root), "--no-browser",
         "--port", "0", *more], stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    found = re.search(r"http://\S+", process.stdout.readline())
    assert found is not None
    try:
        yield found[0].rstrip("/"), process.pid
    finally:
        process.terminate()
        process.communicate()


def launch(play: Playwright) -> Browser:
    """The Chromium of this machine."""
    chromium = shutil.which("chromium") or shutil.which("google-chrome")
    return play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])


def p95(values: list[float]) -> float:
    """Without the first, which fills caches."""
    return float(np.quantile(values[1:], 0.95))


def timed(page: Page, act: str, done: str) -> float:
    """How long until the page shows it [ms]."""
    return float(page.evaluate(TIMED, [act, done]))


def first_paints(page: Page, address: str) -> list[float]:
    """From asking for the address to the first session in sight [ms]."""
    out = []
    for _ in range(TRIES):
        start = time.perf_counter()
        page.goto(address)
        page.locator(".card").first.wait_for()
        out.append(1e3 * (time.perf_counter() - start))
    return out


def screen_changes(page: Page) -> list[float]:
    """From each screen of a session to the next [ms]."""
    page.locator(".card .cover").first.click()
    page.locator(".steps").wait_for()
    out = []
    for _ in range(TRIES // len(SHOWN) + 1):
        for name, css in SHOWN.items():
            links = "[...document.querySelectorAll('.steps a')]"
            act = f"{links}.find((a) => a.text === '{name}').click()"
            out.append(timed(page, act, f"document.querySelector('{css}')"))
            page.wait_for_timeout(300)
    return out


def label_keys(page: Page) -> list[float]:
    """From a key to the next label [ms], a decision each."""
    page.get_by_role("link", name="Labels").click()
    page.get_by_role("button", name="The ball", exact=True).click()
    page.get_by_text("1 of ").wait_for()
    page.wait_for_timeout(2000)
    out = []
    for k in range(KEYS):
        act = "window.dispatchEvent(new KeyboardEvent('keydown', { key: 'r' }))"
        done = f"document.querySelector('.ask .number').textContent.startsWith('{k + 2} of')"
        out.append(timed(page, act, done))
        page.wait_for_timeout(400)
    return out


def played(page: Page) -> dict[str, list[float]]:
    """While a rally plays: lag of what is drawn, and of the picture [ms]."""
    page.get_by_role("link", name="Play").click()
    page.locator(".rallies li").first.wait_for()
    page.wait_for_timeout(2000)
    found: dict[str, list[float]] = page.evaluate(PLAYED, PLAYED_S)
    return found


def main() -> None:
    """Measure, print, and write the page's part."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("session", type=Path)
    said = parser.parse_args()
    rows = []
    with tempfile.TemporaryDirectory() as place, sync_playwright() as play:
        root = Path(place)
        shutil.copytree(said.session, root / "session")
        browser = launch(play)
        films = {
            file.parent for clip in read_session(root / "session").clips for file in clip.files
        }
        more = [word for folder in films for word in ("--footage", str(folder))]
        with serving(root, *more) as (address, _):
            page = browser.new_page(viewport={"width": 1280, "height": 800})
            measures: list[tuple[str, str, Callable[[], list[float]]]] = [
                ("first session in sight", "< 1500", lambda: first_paints(page, address)),
                ("screen change", "< 300", lambda: screen_changes(page)),
                ("key in Labels", "< 80", lambda: label_keys(page)),
            ]
            for name, target, measure in measures:
                values = measure()
                rows.append([name, target, f"{np.median(values):.0f}", f"{p95(values):.0f}"])
                print(*rows[-1], flush=True)
            lag = played(page)
            for name, target, values in (
                ("playing: flight and map behind the picture", "0", lag["drawn"]),
                ("playing: picture behind the clock", "–", lag["clock"]),
            ):
                rows.append([name, target, f"{np.median(values):.0f}", f"{p95(values):.0f}"])
                print(*rows[-1], flush=True)
    text = table(["ms", "target", "median", "p95"], rows)
    write_part("workbench", stamped(text, command((said.session,))))


if __name__ == "__main__":
    main()
