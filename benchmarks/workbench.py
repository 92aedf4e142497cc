"""How quickly does the workbench answer?

    python benchmarks/workbench.py SESSION          a measured session with labels; it is copied
    python benchmarks/workbench.py SESSION --long   also its first clip repeated to an hour

Chromium and server share the machine, as they do with a person. Times are from the key or click to
the first frame that shows the answer, in ms; p95 over all tries, the first of each kind left out.
"""

import argparse
import random
import re
import resource
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
from playwright.sync_api import Page, sync_playwright
from speed import repeat

TRIES = 20
KEYS = 60
HOUR_S = 3600.0
PIECES = 6  # of the small copy, spread over the hour
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


@contextmanager
def serving(root: Path) -> Iterator[str]:
    """A running workbench: its address."""
    process = subprocess.Popen(
        [sys.executable, "-m", "halfvolley.cli", "workbench", str(root), "--no-browser",
         "--port", "0"], stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    found = re.search(r"http://\S+", process.stdout.readline())
    assert found is not None
    try:
        yield found[0].rstrip("/")
    finally:
        process.terminate()
        process.communicate()


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


def hour(clip: Path, folder: Path) -> Iterator[tuple[str, list[float]]]:
    """Jumps about in an hour of footage [ms]: where one stops, and while one drags."""
    from halfvolley.session.edit import new_session
    from halfvolley.session.proxy import make_piece, pieces_of
    from halfvolley.session.recording import probe_recording
    from halfvolley.web.film import Film, JpegStore
    from halfvolley.web.glances import Glances

    session = new_session(folder / "hour", [repeat([clip], folder / "hour.mp4", HOUR_S)])
    entry = session.clips[0]
    recording = probe_recording(entry.files)
    film, glances = Film(recording, JpegStore()), Glances()
    pieces = pieces_of(session, entry, film.info)
    rng = random.Random(1)

    def jumps(look: Callable[[int], object], places: list[range]) -> list[float]:
        out = []
        for _ in range(TRIES + 1):
            index = rng.choice(rng.choice(places))
            start = time.perf_counter()
            look(index)
            out.append(1e3 * (time.perf_counter() - start))
        return out

    def glance(index: int) -> object:
        return glances.picture(session, entry, film, index, 960)

    whole = [range(len(film.info.pts_s))]
    yield "jump in an hour, exact frame", jumps(lambda i: film.jpeg(i, 960), whole)
    yield "while dragging, no copy there yet", jumps(glance, whole)
    pieces.folder.mkdir(parents=True)
    numbers = range(0, pieces.count, pieces.count // PIECES)
    for number in numbers:
        make_piece(recording, pieces, number)
    yield "while dragging, from the small copy", jumps(glance, [pieces.wanted(n) for n in numbers])


def main() -> None:
    """Measure, print, and write the page's part."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("session", type=Path)
    parser.add_argument("--long", action="store_true", help="also an hour of footage")
    said = parser.parse_args()
    chromium = shutil.which("chromium") or shutil.which("google-chrome")
    rows = []
    with tempfile.TemporaryDirectory() as place, sync_playwright() as play:
        root = Path(place)
        shutil.copytree(said.session, root / "session")
        browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        with serving(root) as address:
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
        if said.long:
            clip = next((root / "session").glob("*.mp4"))
            for name, values in hour(clip, root):
                rows.append([name, "< 250", f"{np.median(values):.0f}", f"{p95(values):.0f}"])
                print(*rows[-1], flush=True)
            memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
            rows.append(["memory after it, MB", "< 1000", f"{memory:.0f}", ""])
    text = table(["ms", "target", "median", "p95"], rows)
    write_part("workbench", stamped(text, command((said.session,))))


if __name__ == "__main__":
    main()
