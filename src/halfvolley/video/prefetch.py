"""Working ahead in the background: decoding on one core, looking on another."""

import contextlib
import os
import queue
import sys
import threading
from collections.abc import Generator, Iterable
from typing import TypeVar

from halfvolley.errors import BadInput

T = TypeVar("T")

_POLL_S = 0.1  # how often a blocked producer looks whether anyone still wants its items
_NICE = 15  # niceness of a thread that works ahead: whoever waits for it goes first


def prefetch(items: Iterable[T], depth: int = 8) -> Generator[T, None, None]:
    """The same items in the same order, made ahead by a thread.

    Parameters
    ----------
    items : iterable
        What is made ahead, such as `iter_frames(clip)`; used by the thread alone.
    depth : int
        How many finished items may wait. At 1080p a waiting frame holds 3 MB.

    Yields
    ------
    object
        Each item. An exception of the source is raised here after the items before it. When the
        consumer stops early (`close`, `break` and garbage collection, an exception), the thread
        ends and the source is closed.

    Raises
    ------
    BadInput
        If depth is less than 1.
    """
    if depth < 1:
        raise BadInput(f"depth must be at least 1, got {depth}")
    return _consume(items, depth)


def _consume(items: Iterable[T], depth: int) -> Generator[T, None, None]:
    waiting: queue.Queue[tuple[T] | BaseException | None] = queue.Queue(depth)
    unwanted = threading.Event()

    def put(entry: tuple[T] | BaseException | None) -> bool:
        while not unwanted.is_set():
            try:
                waiting.put(entry, timeout=_POLL_S)
                return True
            except queue.Full:
                continue
        return False

    def produce() -> None:
        _give_way()
        source = iter(items)
        try:
            for item in source:
                if not put((item,)):
                    break
            end: BaseException | None = None
        except BaseException as error:  # handed over, raised in the consumer
            end = error
        close = getattr(source, "close", None)
        if close is not None:
            close()
        put(end)

    thread = threading.Thread(target=produce, name="prefetch", daemon=True)
    thread.start()
    try:
        while True:
            entry = waiting.get()
            if entry is None:
                return
            if isinstance(entry, BaseException):
                raise entry
            yield entry[0]
            del entry  # a held frame would keep one picture more alive
    finally:
        unwanted.set()
        while not waiting.empty():  # let a blocked producer through at once
            waiting.get_nowait()
        thread.join()


def _give_way() -> None:
    """Let this thread, and the decoder's that it starts, run where the consumer leaves time."""
    if sys.platform == "linux":  # elsewhere a priority is that of the whole process
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), _NICE)
