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
