"""The whole job in Chromium, by mouse and keyboard only; then every screen once more, looked over.

The tests of this file build on each other, in their order.
"""

import json
import re
import time

import numpy as np
from axe_playwright_python.sync_playwright import Axe
from running import serve
from test_web_jobs import wait_for

from halfvolley.session.labels import read_labels
from halfvolley.session.read import read_summary
from halfvolley.session.schema import read_session
from halfvolley.video import probe

MEASURING_S = 300_000  # [ms] much more than it takes, for a machine that has other things to do
SCREENS = ("camera", "ball", "labels", "detector", "play", "report")


def component(page, css: str, expression: str):
    """Something that one of the page's own canvases knows."""
    return page.evaluate(
        f"(() => {{ const view = getElement(+document.querySelector('{css}').id.slice(1)); "
        f"return ({expression}); }})()"
    )


def miss_px(told) -> float:
    return float(re.search(r"miss it by (\d+\.\d) px", told.inner_text())[1])


def test_the_whole_job(new_window, root):
    window = new_window()
    page = window.page
    window.open("/")
    page.get_by_text("No session yet").wait_for()

    # new
    page.get_by_role("link", name="New session").click()
    page.get_by_label("game.mp4").check()
    page.get_by_label("Name of the session").fill("Tuesday <b>bold</b>")
    page.get_by_label("Where it was filmed").fill("Marlstead Hall")
    page.get_by_role("button", name="Start the session").click()
    page.get_by_text("The table has not been looked for yet").wait_for()
    folder = next(p.parent for p in root.glob("*/session.toml"))
    assert read_session(folder).venue == "Marlstead Hall"
    assert page.locator("b").count() == 0, "a name is text, never markup"

    # camera: a corner by keyboard, the model follows; then the table is found by itself
    corner = page.get_by_role("button", name=re.compile("Corner of end A, first"))
    before = corner.get_attribute("aria-label")
    corner.press("ArrowRight")
    corner.press("Shift+ArrowDown")
    assert corner.get_attribute("aria-label") != before
    page.wait_for_function(
        "getElement(+document.querySelector('.viewer').id.slice(1)).model.length"
    )
    page.get_by_text(re.compile(r"can lie like this, to \d+\.\d px, \d+ mm")).wait_for()
    page.get_by_role("button", name="Measure").click()
    page.get_by_role("button", name="Stop").wait_for()
    page.reload()  # as when the window was closed and opened again
    page.get_by_role("button", name="Stop").wait_for()
    page.get_by_text(re.compile(r"Measured: \d+ bounce")).wait_for(timeout=MEASURING_S)
    page.get_by_text("How well it fits").wait_for()
    assert page.get_by_text(re.compile(r"0\.\d\d px, \d+\.\d mm")).count()
    # a corner moved away and back: how far the lines are off is told at once
    corner.press("Shift+ArrowDown")
    off = page.get_by_text(re.compile(r"white lines miss it by \d+\.\d px, \d+ mm"))
    off.wait_for()
    far = miss_px(off)
    corner.press("Shift+ArrowUp")
    wait_for(lambda: miss_px(off) < 0.6 * far)

    # ball: a region over the whole picture would lose every sighting; it is taken away again
    page.get_by_role("link", name="Ball").click()
    page.locator(".candidates strong").first.wait_for()
    page.get_by_role("button", name="Add a region").click()
    page.get_by_text("1 region: of the sightings now known, 0 of").wait_for()
    for corner, moves in ((1, "Left Up"), (2, "Right Up"), (3, "Right Down"), (4, "Left Down")):
        handle = page.get_by_role("button", name=f"Region 1, corner {corner};")
        for way in moves.split():
            for _ in range(96):
                handle.press(f"Shift+Arrow{way}", no_wait_after=True)
    n = re.search(r"\d+", page.get_by_text(re.compile("Found in")).inner_text())[0]
    page.get_by_text(f"{n} of {n} of the ball would be lost").wait_for()
    page.get_by_role("button", name="Remove the last").click()
    page.get_by_text("No region is left out").wait_for()

    # what looks for the ball, and back
    page.get_by_role("link", name="Detector", exact=True).click()
    page.get_by_label("Motion, shape and colour").check()
    page.get_by_role("button", name="Measure again").wait_for()
    assert read_session(folder).ball.detector == "classical"
    page.get_by_label("What suits the clip").check()
    page.get_by_role("button", name="Measure again").wait_for(state="detached")
    assert read_session(folder).ball.detector == "auto"

    # how good each is, and where it goes wrong
    page.get_by_role("button", name="Compare them here").click()
    page.get_by_text("2 detectors were compared").wait_for(timeout=MEASURING_S)
    page.get_by_text("Held against the truth of this made footage").wait_for()
    assert re.search(r"\d+\.\d %", page.get_by_role("row", name="The network has").inner_text())
    page.get_by_label("Detector", exact=True).select_option("classical")
    assert page.locator(".worst h3").count() == 2

    # labels: twenty decisions by keyboard
    page.get_by_role("link", name="Labels").click()
    page.get_by_role("button", name="The ball", exact=True).click()
    page.get_by_text("1 of ").wait_for()
    for key in "r" * 17 + "wn":
        page.keyboard.press(key)
    page.keyboard.press("m")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    page.get_by_text("20 decided as").wait_for()
    page.keyboard.press("w")
    page.get_by_text("21 decided as").wait_for()
    page.keyboard.press("u")
    page.get_by_text("20 decided as").wait_for()
    said = [label for label in read_labels(folder).labels if label.by_person]
    assert len(said) == 20
    assert sorted(x.decision for x in said).count("accepted") == 19
    assert [x.kind for x in said].count("none") == 1
    assert [x.origin for x in said].count("hand") == 2

    # play: touch by touch, and a correction that is taken back
    page.get_by_role("link", name="Play").click()
    page.locator(".rallies li").first.wait_for()
    page.keyboard.press("ArrowDown")
    page.locator(".now strong").wait_for()
    page.get_by_role("button", name="Point to B").click()
    page.get_by_text("Kept. It counts").wait_for()
    assert read_session(folder).points[0].winner == "B"
    page.keyboard.press("u")
    page.get_by_text("Taken back").wait_for()
    assert read_session(folder).points == ()

    page.get_by_role("button", name="Save as video").click()
    page.get_by_text("is on the Report screen").wait_for(timeout=MEASURING_S)
    (video,) = (folder / "report").glob("game-rally-*.mp4")
    assert 40 < len(probe(video).pts_s) < 110, "the rally and a little around it"

    # a bounce that was none: marked at once, read anew with the next measurement; one more word
    # on the same touch contradicts it, so the last one counts and is named
    summary = read_summary(folder).clips[0]
    bounce = summary.bounces[-1]
    while component(page, ".play", "view.touch?.id") != bounce.contact_id:
        page.keyboard.press("ArrowDown")
    before = page.locator("canvas.court").first.get_attribute("aria-label")
    page.get_by_role("button", name="By B", exact=True).click()
    page.get_by_text("1 correction").wait_for()
    page.keyboard.press("x")
    page.get_by_text("2 corrections").wait_for()
    page.get_by_text("Corrected touches are marked").wait_for()
    assert page.locator("canvas.court").first.get_attribute("aria-label") != before
    said = read_session(folder).touches
    assert [(t.was, t.player) for t in said] == [("", "B"), ("none", "")]
    assert all(abs(t.t_s - bounce.t_s) < 0.001 for t in said)

    # filters act on the list of rallies and on what is drawn
    page.get_by_label("Zone").select_option("Depth short")
    page.get_by_text(re.compile(r"\d+ of \d+ touches, \d of 1 rallies")).wait_for()
    page.get_by_role("button", name="Show all").click()

    # report: a name that looks like markup
    page.get_by_role("link", name="Report").click()
    page.get_by_role("link", name=f"Video: {video.name}").wait_for()

    # a target of two fields, and faces that are blurred in what is handed on
    page.get_by_text("Add a zone that was to be hit").click()
    for field in ("Half B, long, row 1", "Half B, half-long, row 1"):
        page.get_by_role("button", name=field).click()
    page.get_by_label("What it is called").fill("deep <b>")
    page.get_by_role("button", name="Keep the target").click()
    page.get_by_role("button", name="Take away the target deep <b>").wait_for()
    assert read_session(folder).targets[0].corners_m[2] == (1.37, 0.762)
    page.get_by_role("link", name="Choose what is blurred").click()
    page.get_by_label("Blur what moves where players' heads can be").check()
    wait_for(lambda: read_session(folder).report.blur == "heads")
    page.get_by_role("button", name="Undo the blurring").click()
    page.locator("#blur-no:checked").wait_for()
    assert read_session(folder).report.blur == "no"
    page.get_by_label("Blur what moves where players' heads can be").check()
    wait_for(lambda: read_session(folder).report.blur == "heads")
    page.get_by_role("link", name="Back to the report").click()
    page.get_by_text("Players are blurred where they move").wait_for()

    # names are undone like everything else; what is typed outlives the end of a job
    page.get_by_label("Name at end A").fill("Ilma")
    page.get_by_role("button", name="Keep the names").click()
    page.get_by_role("button", name="Undo the names").click()
    page.get_by_role("button", name="Undo the blurring").wait_for()
    assert read_session(folder).player_a == ""
    page.get_by_label("Name at end A").fill("Ilva <i>")
    page.get_by_role("button", name="Keep the names").click()
    page.get_by_text(re.compile(r"Measured: \d+ bounce")).wait_for(timeout=MEASURING_S)
    report = page.frame_locator("iframe.preview")
    report.get_by_text("Ilva <i>").first.wait_for()
    after = read_summary(folder).clips[0]
    assert len(after.bounces) == len(summary.bounces) - 1
    assert any("the last one counts" in words for words in after.warnings)
    assert window.complaints == []


def test_of_fed_balls_each_stroke_is_listed_until_that_is_undone(new_window, root):
    window = new_window()
    open_session(window)
    page = window.page
    folder = next(p.parent for p in root.glob("*/session.toml"))
    page.get_by_role("link", name="Clip and camera").click()
    page.get_by_label("What it shows").select_option("feed")
    page.get_by_role("button", name="Measure again").click()
    page.get_by_text(re.compile(r"Measured: \d+ bounce")).wait_for(timeout=MEASURING_S)
    assert read_session(folder).clips[0].kind == "feed"
    page.get_by_role("link", name="Play").click()
    page.get_by_text(re.compile(r"^\d+ strokes?: ")).wait_for()
    strokes = page.locator(".rallies .rally")
    n = strokes.count()
    assert n > 1 and page.get_by_label("Served by").count() == 0
    strokes.nth(1).click()
    page.get_by_role("combobox", name=re.compile("^Stroke")).select_option("now")
    page.get_by_text(re.compile(rf"touches, {n} of {n} strokes")).wait_for()
    page.get_by_label("Stroke 2 for a video").check()
    page.get_by_role("button", name="Save as one video").click()
    page.get_by_text(re.compile(r"game-stroke-2\S*mp4 is ready")).wait_for(timeout=MEASURING_S)
    page.get_by_role("link", name="Clip and camera").click()
    page.get_by_role("button", name="Undo what it shows").click()
    page.get_by_role("button", name="Measure again").click()
    page.get_by_text(re.compile(r"Measured: \d+ bounce")).wait_for(timeout=MEASURING_S)
    assert read_session(folder).clips[0].kind == "play"
    assert window.complaints == []


def test_the_drawn_flight_belongs_to_the_frame_that_is_shown(new_window, root):
    window = new_window()
    page = open_play(window)
    # the renderer's own truth, at the middle of each exposure, row by row
    truth = json.loads((root / "game.json").read_text(encoding="utf-8"))
    true = {f["i"]: f["ball"] for f in truth["frames"] if f["ball"]["state"] == "flight"}
    page.evaluate("import('/static/flight.js').then((m) => { window.flight = m; })")
    page.wait_for_function("window.flight")
    off = []
    for i in sorted(true)[10:90:4]:
        component(page, ".play", f"view.go({i})")
        page.wait_for_function(
            f"getElement(+document.querySelector('.play').id.slice(1)).shown === {i}"
        )
        ball = component(page, ".play", "flight.ballAt(view.play, view.times[view.shown], 540)?.uv")
        if ball is not None:
            off.append(np.hypot(*(np.array(ball) - [true[i]["u"], true[i]["v"]])))
    assert len(off) > 10
    # the ball flies 5 to 10 px from one frame to the next
    assert np.median(off) < 1.5, off


def test_where_frames_come_late_fewer_are_shown(new_window, root):
    window = new_window()
    page = open_play(window)
    page.evaluate(
        """() => {
          const whole = Image.prototype.decode;
          let last = 0;
          Image.prototype.decode = async function () {
            last = Math.max(performance.now(), last) + 100;
            await new Promise((done) => setTimeout(done, last - performance.now()));
            return whole.call(this);
          };
        }"""
    )
    component(page, ".play", "view.go(0)")
    component(page, ".play", "((view.rate = 1), view.turn())")
    assert component(page, ".play", "view.pace.every") == 1
    page.wait_for_function(
        "getElement(+document.querySelector('.play').id.slice(1)).pace.every > 1"
    )
    assert component(page, ".play", "view.playing && view.shown === view.index")
    assert window.complaints == []


def test_a_second_window_is_told_and_may_take_over(new_window, root):
    first, second = new_window(), new_window()
    for window in (first, second):
        open_play(window)
    told = second.page.get_by_text("open in another window")
    told.wait_for()
    second.page.get_by_role("button", name=re.compile("Point to Ilva")).click()
    second.page.get_by_text("Another window writes").wait_for()
    folder = next(p.parent for p in root.glob("*/session.toml"))
    assert read_session(folder).points == ()
    second.page.get_by_role("button", name="Write here instead").click()
    told.wait_for(state="detached")
    first.page.get_by_text("open in another window").wait_for()


def test_what_was_decided_outlives_a_killed_server(new_window, root, served):
    folder = next(p.parent for p in root.glob("*/session.toml"))
    other = serve(root)
    window = new_window(address=other.address)
    open_session(window)
    page = window.page
    page.get_by_role("link", name="Labels").click()
    page.get_by_role("button", name="The ball", exact=True).click()
    page.get_by_text("1 of ").wait_for()
    n = sum(label.by_person for label in read_labels(folder).labels)
    page.keyboard.press("r")
    page.get_by_text("1 decided as").wait_for()
    other.kill()
    assert sum(label.by_person for label in read_labels(folder).labels) == n + 1
    # started again at the same address, the window finds its way back by itself
    again = serve(root, int(other.address.rsplit(":", 1)[1]))
    page.get_by_text("0 decided as").wait_for()
    again.end()


def test_a_clip_that_is_gone_is_said(new_window, root):
    window = new_window()
    (root / "game.mp4").rename(root / "away.mp4")
    try:
        window.open("/")
        window.page.get_by_text("clip not found").wait_for()
        window.page.locator(".card .cover").first.click()
        window.page.get_by_text("no such file").wait_for()
        window.page.get_by_role("link", name="All sessions").click()
        window.page.get_by_role("heading", name="Sessions").wait_for()
    finally:
        (root / "away.mp4").rename(root / "game.mp4")


def open_session(window) -> None:
    window.open("/")
    window.page.locator(".card .cover").first.click()
    window.page.locator(".steps").wait_for()


def open_play(window):
    """The page of the first session's rallies."""
    open_session(window)
    window.page.get_by_role("link", name="Play").click()
    window.page.locator(".rallies li").first.wait_for()
    return window.page


def test_every_screen_is_accessible(new_window):
    window = new_window()
    page = window.page
    window.open("/new")
    page.get_by_role("heading", name="New session").wait_for()
    look_over(page, "new")
    open_session(window)
    names = {
        "camera": "Clip and camera",
        "ball": "Ball",
        "labels": "Labels",
        "detector": "Detector",
        "play": "Play",
        "report": "Report",
    }
    for screen in SCREENS:
        page.get_by_role("link", name=names[screen]).click()
        page.wait_for_url(f"**/{screen}/**")
        time.sleep(0.6)
        look_over(page, screen)
        if screen == "labels":
            page.get_by_role("button", name="Many at a glance").click()
            time.sleep(0.4)
            look_over(page, "labels, sheet")
    page.get_by_role("link", name="Choose what is blurred").click()
    page.get_by_role("button", name="Keep the regions").wait_for()
    look_over(page, "faces")
    window.open("/")
    page.locator(".card").first.wait_for()
    look_over(page, "home")
    assert window.complaints == []


# themes differ in colours only
COLOURS = {"runOnly": {"type": "rule", "values": ["color-contrast"]}}


def look_over(page, name: str) -> None:
    """No serious or critical fault that axe-core knows, in neither theme."""
    for theme, options in (("light", None), ("dark", COLOURS)):
        assert page.evaluate("document.documentElement.dataset.theme") == theme
        found = Axe().run(page, options=options).response["violations"]
        bad = [
            f"{v['id']}: {v['help']}: {[n['html'][:120] for n in v['nodes'][:3]]}"
            for v in found
            if v["impact"] in ("serious", "critical")
        ]
        assert bad == [], f"{name}, {theme}"
        page.get_by_role("button", name="Theme").click()
