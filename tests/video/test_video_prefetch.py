"""Working ahead: same items, bounded, ends cleanly in every way."""

import gc
import os
import sys
import threading
import time

import numpy as np
import pytest

from halfvolley.errors import BadInput
from halfvolley.video import iter_frames, prefetch


def running() -> list[threading.Thread]:
    return [t for t in threading.enumerate() if t.name == "prefetch"]


@pytest.fixture(autouse=True)
def no_thread_is_left():
    yield
    gc.collect()
    assert running() == []


@pytest.mark.parametrize("depth", [1, 3, 100])
def test_same_items_in_order(depth):
    assert list(prefetch(range(50), depth)) == list(range(50))
    assert list(prefetch([], depth)) == []


def test_items_may_be_none_or_exceptions():
    items = [None, ValueError("only a value"), None]
    assert list(prefetch(items)) == items


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere a process has one priority")
def test_what_works_ahead_gives_way_to_its_consumer():
    def priority():
        return os.getpriority(os.PRIO_PROCESS, threading.get_native_id())

    before = priority()
    (ahead,) = prefetch(priority() for _ in range(1))
    assert ahead > before
    assert priority() == before


def test_it_works_ahead_but_not_further_than_the_depth():
    made = []

    def source():
        for k in range(20):
            made.append(k)
            yield k

    ahead = prefetch(source(), depth=4)
    assert made == []  # nothing starts before the first item is asked for
    assert next(ahead) == 0
    deadline = time.monotonic() + 5
    while len(made) < 6 and time.monotonic() < deadline:
        time.sleep(0.005)
    time.sleep(0.05)
    assert made == [0, 1, 2, 3, 4, 5]  # one taken, four waiting, one in hand
    ahead.close()


def test_the_next_item_is_made_while_one_is_used():
    begun = [threading.Event() for _ in range(7)]

    def source():
        for k in range(6):
            begun[k].set()
            yield k
        begun[6].set()

    for k in prefetch(source()):
        assert begun[k + 1].wait(10.0)  # one after the other, it would begin when this is done


def test_an_exception_comes_after_the_items_before_it():
    def source():
        yield 1
        yield 2
        raise KeyError("broken")

    ahead = prefetch(source())
    assert next(ahead) == 1
    assert next(ahead) == 2
    with pytest.raises(KeyError, match="broken"):
        next(ahead)
    with pytest.raises(StopIteration):
        next(ahead)


@pytest.mark.parametrize("how", ["close", "drop", "raise"])
def test_leaving_early_closes_the_source(how):
    closed = threading.Event()

    def source():
        try:
            k = 0
            while True:
                yield k
                k += 1
        finally:
            closed.set()

    ahead = prefetch(source(), depth=2)
    assert next(ahead) == 0
    if how == "close":
        ahead.close()
    elif how == "drop":
        del ahead
        gc.collect()
    else:
        with pytest.raises(ZeroDivisionError):
            ahead.throw(ZeroDivisionError)
    assert closed.wait(2)
    assert running() == []


def test_waiting_frames_stay_valid(make_clip, index_of):
    """Planes are views of decoder memory, which must not be used again while they wait."""
    path = make_clip(n=64, options={"g": "8"})
    held = list(prefetch(iter_frames(path), depth=3))
    assert [index_of(f.luma) for f in held] == [k % 32 for k in range(64)]
    assert all(int(np.ptp(f.luma)) <= 4 for f in held)


def test_depth_must_be_positive():
    with pytest.raises(BadInput, match="depth must be at least 1, got 0"):
        prefetch([1], 0)
