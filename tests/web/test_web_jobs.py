"""Jobs: progress, stop, failure, one for each session, and one writer among windows."""

import time

import pytest

from halfvolley.errors import BadInput
from halfvolley.web.jobs import Jobs
from halfvolley.web.writers import Writers


def count(folder, *, progress, n, wait_s=0.0):
    for k in range(n):
        progress("counting", k / n)
        time.sleep(wait_s)
    return f"counted to {n}"


def refuse(folder, *, progress):
    raise BadInput("no such thing; try another")


def vanish(folder, *, progress):
    import os

    os._exit(9)


def wait_for(what, limit_s=60.0):
    until = time.monotonic() + limit_s
    while not what():
        assert time.monotonic() < until, "it takes too long"
        time.sleep(0.02)


@pytest.fixture
def jobs(monkeypatch):
    # a worker finds the functions of this very file
    import sys
    from pathlib import Path

    here = str(Path(__file__).parent)
    monkeypatch.syspath_prepend(here)
    module = __import__("test_web_jobs")
    made = Jobs()
    yield made, module
    made.stop_all()
    sys.modules.pop("test_web_jobs", None)


def test_jobs_run_one_after_the_other_and_say_how_they_ended(jobs, tmp_path):
    made, work = jobs
    good = made.start(tmp_path / "a", "Counting", work.count, n=3)
    bad = made.start(tmp_path / "b", "Refusing", work.refuse)
    dead = made.start(tmp_path / "c", "Vanishing", work.vanish)
    assert [job.state for job in (good, bad, dead)] == ["running", "waiting", "waiting"]
    wait_for(lambda: dead.is_over)
    assert (good.state, good.words) == ("done", "counted to 3")
    assert (bad.state, bad.words) == ("failed", "no such thing; try another")
    assert dead.state == "failed"
    assert "Start it again" in dead.words


def test_a_session_has_one_job_at_a_time_and_it_can_be_stopped(jobs, tmp_path):
    made, work = jobs
    job = made.start(tmp_path, "Counting", work.count, n=100_000, wait_s=0.01)
    with pytest.raises(BadInput, match="counting is still at work"):
        made.start(tmp_path, "Counting", work.count, n=1)
    wait_for(lambda: job.share > 0)
    assert made.current(tmp_path) is job
    made.stop(job.number)
    assert job.state == "stopped"
    assert made.current(tmp_path) is None
    after = made.start(tmp_path, "Counting", work.count, n=1)
    wait_for(lambda: after.is_over)
    assert after.state == "done"
    assert made.latest(tmp_path) is after


def test_small_work_runs_beside_the_other_and_keeps_nothing_waiting(jobs, tmp_path):
    made, work = jobs
    long = made.start(tmp_path, "Counting", work.count, n=100_000, wait_s=0.01)
    aside = made.start(tmp_path, "Aside", work.count, n=3, aside=True)
    second = made.start(tmp_path, "Aside too", work.count, n=3, aside=True)
    assert [job.state for job in (long, aside, second)] == ["running", "running", "waiting"]
    assert made.current(tmp_path) is long
    wait_for(lambda: second.is_over)
    assert aside.state == second.state == "done" and long.state == "running"
    made.stop(long.number)


def family(folder, *, progress):
    """A job with a process of its own."""
    import multiprocessing

    child = multiprocessing.get_context("spawn").Process(target=time.sleep, args=(60,), daemon=True)
    child.start()
    progress(str(child.pid), 0.0)
    time.sleep(60)
    return "never"


def test_what_a_job_began_ends_with_it(jobs, tmp_path):
    psutil = pytest.importorskip("psutil")
    made, work = jobs
    job = made.start(tmp_path, "Family", work.family)
    wait_for(lambda: job.doing.isdecimal())
    pid = int(job.doing)
    assert psutil.pid_exists(pid)
    made.stop(job.number)
    wait_for(lambda: not psutil.pid_exists(pid))


def test_one_window_writes_until_it_is_gone_or_another_takes_over(tmp_path):
    open_windows = {"first", "second"}
    writers = Writers(lambda window: window in open_windows)
    assert writers.ask(tmp_path, "first")
    assert not writers.ask(tmp_path, "second")
    assert writers.ask(tmp_path / "other", "second"), "each session has its own pen"
    writers.take(tmp_path, "second")
    assert not writers.ask(tmp_path, "first")
    open_windows.remove("second")
    assert writers.ask(tmp_path, "first"), "a closed window holds nothing"
