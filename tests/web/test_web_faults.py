"""What goes wrong while somebody works: nothing that a person did is lost, and it is said.

Every test has a session of its own, on a workbench that it may kill.
"""

import resource
import sys
import time

import pytest
from running import serve
from test_web_detector import stopped
from test_web_jobs import wait_for

from halfvolley.session.edit import new_session
from halfvolley.session.labels import open_labels, read_labels
from halfvolley.session.schema import read_session
from halfvolley.types import Label

# of an interpreter that finds no PyTorch
NO_TORCH = """
from importlib.machinery import PathFinder
find = PathFinder.find_spec
PathFinder.find_spec = lambda name, *more: None if name == "torch" else find(name, *more)
"""


@pytest.fixture
def club(short_clip, tmp_path):
    """A folder with a session that has labels; what it shows is not measured."""
    session = new_session(tmp_path / "club" / "tuesday", [short_clip])
    labels = [
        Label(session.clips[0].name, k, k / 60, "positive", (480.0, 270.0), 4.0, (1.0, 0.0),
              "detection", 0.9, "accepted", "", 0.0, k // 8, "on a flight")
        for k in range(32)
    ]  # fmt: skip
    with open_labels(session.folder, make=True) as store:
        store.add(labels, what="labels", who="", when_s=1.0)
    return session.folder


@pytest.fixture
def bench(club, short_clip):
    """A workbench of its own."""
    running = [serve(club.parent, more=("--footage", str(short_clip.parent)))]
    yield running
    for one in running:
        if one.process.returncode is None:
            one.kill()


def open_screen(window, name) -> object:
    window.open("/")
    window.page.locator(".card .cover").click()
    window.page.locator(".steps").wait_for()
    window.page.get_by_role("link", name=name, exact=True).click()
    return window.page


def children(pid: int) -> list[int]:
    import psutil

    return [p.pid for p in psutil.Process(pid).children(recursive=True)]


def alive(pid: int) -> bool:
    import psutil

    return psutil.pid_exists(pid) and psutil.Process(pid).status() != "zombie"


def test_killed_while_measuring(new_window, club, bench, short_clip):
    window = new_window(address=bench[0].address)
    page = open_screen(window, "Clip and camera")
    page.get_by_role("button", name="Measure").click()
    page.get_by_text("finding the table").wait_for()
    work = children(bench[0].process.pid)
    bench[0].kill()
    wait_for(lambda: not any(alive(pid) for pid in work))
    assert not (club / "tables" / "manifest.json").exists(), "nothing half done passes for a result"
    again = serve(club.parent, int(bench[0].address.rsplit(":", 1)[1]),
                  ("--footage", str(short_clip.parent)))  # fmt: skip
    bench.append(again)
    # the window finds its way back by itself, and what was to be done can be begun again
    page.get_by_role("button", name="Measure").wait_for()
    assert len(read_labels(club).labels) == 32


def test_killed_while_training_and_gone_on(new_window, club, bench, short_clip):
    stopped(club)
    window = new_window(address=bench[0].address)
    page = open_screen(window, "Detector")
    page.get_by_text("stopped at step 200").wait_for()
    page.get_by_role("img", name="Training curve, newest point at step 200").wait_for()
    page.get_by_role("button", name="Go on").click()
    page.get_by_role("button", name="Stop").first.wait_for()
    page.get_by_role("link", name="Play").click()
    page.locator(".jobs").get_by_text("Training").wait_for()  # it is shown on every screen
    page.evaluate("window.mark = 'the page as it was'")
    work = children(bench[0].process.pid)
    bench[0].kill()
    wait_for(lambda: not any(alive(pid) for pid in work))
    again = serve(club.parent, int(bench[0].address.rsplit(":", 1)[1]),
                  ("--footage", str(short_clip.parent)))  # fmt: skip
    bench.append(again)
    page.wait_for_function("window.mark === undefined")  # it finds its way back by itself
    page = open_screen(window, "Detector")
    page.get_by_text("stopped at step 200").wait_for()
    page.get_by_role("button", name="Give it up").click()
    page.get_by_role("button", name="Start training").wait_for()
    page.get_by_text("32 labels are ready, 0 of them decided by people").wait_for()
    assert window.complaints == [] or all("ERR_CONNECTION" in c for c in window.complaints)


@pytest.mark.skipif(sys.platform != "linux", reason="limits another process")
def test_a_full_disk_while_reviewing(new_window, club, bench):
    window = new_window(address=bench[0].address)
    page = open_screen(window, "Labels")
    page.get_by_role("button", name="The ball", exact=True).click()
    page.get_by_text("1 of 32").wait_for()
    page.keyboard.press("r")
    page.get_by_text("1 decided as").wait_for()
    pid, endless = bench[0].process.pid, resource.RLIM_INFINITY
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (0, endless))  # no file can grow any more
    page.keyboard.press("w")
    page.locator(".announcer[data-kind=trouble]").wait_for()
    assert [x.decision for x in read_labels(club).labels if x.by_person] == ["accepted"]
    page.get_by_role("link", name="Detector", exact=True).click()
    page.get_by_label("Motion, shape and colour").check()
    page.locator(".announcer").get_by_text("cannot write").wait_for()
    assert read_session(club).ball.detector == "auto", "the file is as it was"
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (endless, endless))
    page.get_by_role("link", name="Labels").click()
    page.get_by_role("button", name="The ball", exact=True).click()
    page.get_by_text("1 of 31").wait_for()
    page.keyboard.press("w")
    page.get_by_text("1 decided as").wait_for()
    assert sum(x.by_person for x in read_labels(club).labels) == 2


def test_without_pytorch_all_but_training_works(new_window, club, bench, tmp_path, short_clip):
    (tmp_path / "sitecustomize.py").write_text(NO_TORCH)
    own = serve(club.parent, more=("--footage", str(short_clip.parent)), path=tmp_path)
    bench.append(own)
    window = new_window(address=own.address)
    page = open_screen(window, "Detector")
    page.get_by_text("pip install '.[train]'").wait_for()
    assert page.get_by_role("button", name="Start training").count() == 0
    page.get_by_label("Motion, shape and colour").check()
    wait_for(lambda: read_session(club).ball.detector == "classical")
    time.sleep(0.2)
    assert window.complaints == []


def test_a_window_that_was_busy_finds_everything_as_it_left_it(bench, new_window):
    """As with many other windows at work: the page answers nothing for some seconds."""
    window = new_window(address=bench[0].address)
    page = open_screen(window, "Labels")
    page.get_by_role("button", name="The ball", exact=True).click()
    page.get_by_text("1 of ").wait_for()
    page.get_by_role("button", name="Many at a glance").click()
    page.locator(".cell").nth(20).wait_for()
    page.evaluate("window.mark = 'the same page'")
    page.evaluate(
        "(() => { const t = performance.now(); while (performance.now() - t < 9000); })()"
    )
    page.get_by_role("button", name="One at a time").click()
    page.get_by_role("button", name="One at a time", pressed=True).wait_for()
    time.sleep(1.0)
    assert page.evaluate("window.mark") == "the same page", "it was not loaded anew"
    assert window.complaints == []
