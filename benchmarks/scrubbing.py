"""How quickly does one move about in an hour at 1080p60?

    python benchmarks/scrubbing.py

Makes its footage: some seconds, repeated to an hour by copying packets; once with a keyframe every
second, as cameras write, and once with as few as programs that record a screen write, so that a
small copy is made. Chromium drags the slider of Clip and camera; times are in ms, from the slider's
move to the first frame that shows the answer; p95 over all moves, the first left out.
"""

import argparse
import random
import tempfile
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path

import numpy as np
import psutil
from pages import command, stamped, table, write_part
from playwright.sync_api import Browser, Page, sync_playwright
from speed import repeat
from workbench import launch, p95, serving, timed

from halfvolley.session.edit import new_session
from halfvolley.session.proxy import make_piece, pieces_of
from halfvolley.session.recording import probe_recording
from halfvolley.simulate import make_clip, random_scene
from halfvolley.video import VideoWriter, WriterSettings, iter_frames, probe, to_rgb
from halfvolley.web.places import Places

SIZE_PX, FPS = (1920, 1080), 60
HOUR_S = 3600.0
FRAMES = 250  # are made and repeated
OFTEN, RARE = 60, 250  # frames from one keyframe to the next
MOVES = 20
HAND_MS = 30  # between moves that are no change
PIECES = 3  # of the small copy, spread over the hour
VIEW = "getElement(+document.querySelector('.viewer').id.slice(1))"
MOVE = (
    "const slider = document.querySelector('.scrub input'); slider.value = {}; "
    "slider.dispatchEvent(new Event('input'))"
)
Row = list[str]


def footage(folder: Path) -> dict[int, Path]:
    """An hour for each distance of keyframes."""
    made = folder / "made.mp4"
    rng = np.random.default_rng(1)
    make_clip(made, random_scene(rng, "side", size_px=SIZE_PX), rng, FRAMES / FPS)
    info = probe(made)
    out = {}
    for every in (OFTEN, RARE):
        piece = folder / f"piece-{every}.mp4"
        settings = WriterSettings(rate=Fraction(FPS), keyframe_every=every)
        with VideoWriter(piece, SIZE_PX, settings) as writer:
            for frame in iter_frames(info):
                writer.write(to_rgb(frame, info), frame.t_s - float(info.pts_s[0]))
        out[every] = repeat([piece], folder / f"every-{every}.mp4", HOUR_S)
    return out


def opened(browser: Browser, address: str, key: str, clip: str) -> tuple[Page, float]:
    """The screen of a clip, and how long it took until its first frame was there [ms]."""
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.goto(address)
    act = f"location.href = '/s/{key}/camera/{clip}'"
    start = page.evaluate("performance.timeOrigin + performance.now()")
    page.evaluate(act)
    page.wait_for_url("**/camera/**")
    page.wait_for_function(f"document.querySelector('.viewer') && {VIEW}.film?.kept.has(0)")
    return page, page.evaluate("performance.timeOrigin + performance.now()") - start


def dragged(page: Page, frames: Iterable[int]) -> list[float]:
    """From each move of the slider to the next picture, by a hand that does not rest."""
    out = []
    for frame in frames:
        act = f"""
            window.was = {VIEW}.shown;
            const move = () => {{ {MOVE.format(frame)}; }};
            clearInterval(window.hand);
            window.hand = setInterval(move, {HAND_MS});
            move();"""
        out.append(timed(page, act, f"{VIEW}.shown !== window.was"))
    page.evaluate("clearInterval(window.hand)")
    return out


def stopped(page: Page, frames: Iterable[int]) -> list[float]:
    """From each move of the slider to the exact frame, with a rest after each."""
    out = []
    for frame in frames:
        out.append(timed(page, MOVE.format(frame), f"{VIEW}.shown === {frame}"))
        page.wait_for_timeout(600)
    return out


def memory_mb(pid: int) -> float:
    """Of the server and all that it started."""
    server = psutil.Process(pid)
    return sum(p.memory_info().rss for p in (server, *server.children(recursive=True))) / 1e6


def row(name: str, target: str, values: list[float]) -> Row:
    """Median and 95th percentile of a row, printed as soon as it is there."""
    out = [name, target, f"{np.median(values):.0f}", f"{p95(values):.0f}"]
    print(*out, flush=True)
    return out


def measured(root: Path) -> list[Row]:
    """All rows, with a server of its own."""
    rng = random.Random(1)
    clips = footage(root)
    sessions = {n: new_session(root / f"keys-{n}", [path]) for n, path in clips.items()}
    keys = {place.path.name: place.key for place in Places(root).sessions()}
    total = len(probe(clips[OFTEN]).pts_s)

    def anywhere() -> list[int]:
        return [rng.randrange(total) for _ in range(MOVES + 1)]

    rows = []
    with sync_playwright() as play, serving(root) as (address, pid):
        browser = launch(play)
        page, open_ms = opened(
            browser, address, keys[f"keys-{OFTEN}"], sessions[OFTEN].clips[0].name
        )
        rows.append(["the screen opens, the clip was never read", "–", f"{open_ms:.0f}", ""])
        print(*rows[-1], flush=True)
        rows.append(row("a keyframe every second: exact frame", "< 250", stopped(page, anywhere())))
        page.close()
        entry = sessions[RARE].clips[0]
        page, _ = opened(browser, address, keys[f"keys-{RARE}"], entry.name)
        page.locator(".jobs").get_by_text("making a small copy").wait_for()
        rows.append(
            row("every 4 s: dragging while the copy is made", "< 250", dragged(page, anywhere()))
        )
        most_mb = memory_mb(pid)
        page.get_by_role("button", name="Stop").click()
        recording = probe_recording(entry.files)
        pieces = pieces_of(sessions[RARE], entry, recording.info)
        numbers = range(pieces.count // PIECES, pieces.count, pieces.count // PIECES)
        pieces.folder.mkdir(parents=True, exist_ok=True)
        for number in numbers:
            make_piece(recording, pieces, number)
        there = [rng.choice(pieces.wanted(rng.choice(numbers))) for _ in range(MOVES + 1)]
        rows.append(row("every 4 s: dragging in the small copy", "< 250", dragged(page, there)))
        rows.append(row("every 4 s: exact frame where one stops", "–", stopped(page, anywhere())))
        most_mb = max(most_mb, memory_mb(pid))
        browser.close()
    rows.append(["memory of the server and its work, MB", "< 1000", f"{most_mb:.0f}", ""])
    print(*rows[-1], flush=True)
    return rows


def main() -> None:
    """Measure, print, and write the page's part."""
    argparse.ArgumentParser(description=__doc__).parse_args()
    with tempfile.TemporaryDirectory() as place:
        rows = measured(Path(place))
    text = table(["ms", "target", "median", "p95"], rows)
    write_part("scrubbing", stamped(text, command()))


if __name__ == "__main__":
    main()
