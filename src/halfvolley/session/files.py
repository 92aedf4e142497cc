"""Writing so that a killed program or a full disk never leaves half a file.

Everything goes to a temporary neighbour first, is forced to the disk, and takes its place by one
rename. Only one program writes to a session at a time.
"""

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from halfvolley.errors import StorageError

TEMPORARY_PREFIX = ".unfinished-"


@contextlib.contextmanager
def storing(path: Path) -> Iterator[None]:
    """Turns what the system says about a failed write into one plain sentence.

    Raises
    ------
    StorageError
        If the disk is full, read-only or not writable.
    """
    try:
        yield
    except StorageError:
        raise
    except OSError as error:
        reason = os.strerror(error.errno).lower() if error.errno else str(error)
        raise StorageError(
            f"cannot write {path}: {reason}; free some space or choose another folder, "
            "then run the same command again"
        ) from error


def write_atomic(path: Path, content: bytes | str) -> None:
    """Put a whole file in place, or leave what was there.

    Raises
    ------
    StorageError
        If it could not be written; nothing has changed then.
    """
    data = content.encode() if isinstance(content, str) else content
    with open_atomic(path) as stream:
        stream.write(data)


@contextlib.contextmanager
def open_atomic(path: Path) -> Iterator[IO[bytes]]:
    """A stream that becomes the file `path` when the block ends without an error.

    Raises
    ------
    StorageError
        If it could not be written; nothing has changed then.
    """
    with storing(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=TEMPORARY_PREFIX)
        temporary = Path(name)
        try:
            with os.fdopen(handle, "wb") as stream:
                yield stream
                stream.flush()
                os.fsync(stream.fileno())
            temporary.chmod(0o666 & ~_umask())  # mkstemp gives the owner alone access
            os.replace(temporary, path)
            sync_folder(path.parent)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise


@contextlib.contextmanager
def folder_atomic(target: Path) -> Iterator[Path]:
    """A fresh folder that becomes `target` when the block ends without an error.

    What another run has put there in the meantime is kept.

    Raises
    ------
    StorageError
        If it could not be written; nothing has changed then.
    """
    with storing(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        temporary = Path(tempfile.mkdtemp(dir=target.parent, prefix=TEMPORARY_PREFIX))
        try:
            yield temporary
            for path in temporary.rglob("*"):
                if path.is_dir():
                    sync_folder(path)
                else:
                    with open(path, "rb") as stream:
                        os.fsync(stream.fileno())
            temporary.chmod(0o777 & ~_umask())
            sync_folder(temporary)
            if not target.exists():
                os.rename(temporary, target)
                sync_folder(target.parent)
        finally:
            shutil.rmtree(temporary, ignore_errors=True)


def sync_folder(folder: Path) -> None:
    """Force a folder's entries to the disk, where the system lets one."""
    if os.name == "nt":  # folders cannot be opened there
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def remove_unfinished(folder: Path) -> None:
    """Throw away what a killed program left below a folder."""
    for path in folder.glob(f"**/{TEMPORARY_PREFIX}*"):
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)


@contextlib.contextmanager
def only_writer(folder: Path) -> Iterator[None]:
    """Holds the session's lock; the system lets go of it when the program ends, however it ends.

    Raises
    ------
    StorageError
        If another program holds it, or the folder is not writable.
    """
    path = folder / ".lock"
    with storing(path):
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        if not _lock(handle):
            with contextlib.suppress(OSError):
                os.lseek(handle, 0, os.SEEK_SET)
            pid = _read_pid(handle)
            raise StorageError(
                f"another halfvolley{pid} is writing to {folder.parent}; wait until it has finished"
            )
        with storing(path):
            os.ftruncate(handle, 0)
            os.write(handle, str(os.getpid()).encode())
        yield
    finally:
        os.close(handle)


def _lock(handle: int) -> bool:
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        try:
            # one byte far behind the pid, so that others can still read it
            os.lseek(handle, 1 << 20, os.SEEK_SET)
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
            os.lseek(handle, 0, os.SEEK_SET)
        except OSError:
            return False
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _read_pid(handle: int) -> str:
    try:
        text = os.read(handle, 20).decode()
    except (OSError, UnicodeDecodeError):
        return ""
    return f" (process {text})" if text.isdigit() else ""


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
