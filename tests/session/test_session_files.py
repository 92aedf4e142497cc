"""Writing: whole or not at all, and one writer at a time."""

import errno
import os
import subprocess
import sys

import pytest

from halfvolley.errors import StorageError
from halfvolley.session import files
from halfvolley.session.files import folder_atomic, only_writer, remove_unfinished, write_atomic


def entries(folder):
    return sorted(p.name for p in folder.iterdir())


def test_a_file_is_written_and_replaced(tmp_path):
    write_atomic(tmp_path / "deep" / "a.txt", "one")
    write_atomic(tmp_path / "deep" / "a.txt", b"two")
    assert (tmp_path / "deep" / "a.txt").read_bytes() == b"two"
    assert entries(tmp_path / "deep") == ["a.txt"]


def test_others_may_read_it(tmp_path):
    old = os.umask(0o022)
    try:
        write_atomic(tmp_path / "a.txt", "one")
    finally:
        os.umask(old)
    assert (tmp_path / "a.txt").stat().st_mode & 0o777 == 0o644


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS, errno.EDQUOT])
def test_a_full_disk_leaves_the_old_file(tmp_path, monkeypatch, code):
    path = tmp_path / "a.txt"
    write_atomic(path, "one")

    def full(handle):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(files.os, "fsync", full)
    with pytest.raises(StorageError) as caught:
        write_atomic(path, "two")
    assert os.strerror(code).lower() in str(caught.value)
    assert str(path) in str(caught.value)
    assert path.read_text() == "one"
    assert entries(tmp_path) == ["a.txt"]


def test_a_full_disk_leaves_no_folder(tmp_path, monkeypatch):
    def full(handle):
        raise OSError(errno.ENOSPC, "x")

    with pytest.raises(StorageError), folder_atomic(tmp_path / "new") as folder:
        (folder / "a").write_text("x")
        monkeypatch.setattr(files.os, "fsync", full)
    assert entries(tmp_path) == []


def test_an_interruption_leaves_no_folder(tmp_path):
    with pytest.raises(KeyboardInterrupt), folder_atomic(tmp_path / "new") as folder:
        (folder / "a").write_text("x")
        raise KeyboardInterrupt
    assert entries(tmp_path) == []


def test_a_folder_appears_whole(tmp_path):
    with folder_atomic(tmp_path / "new") as folder:
        (folder / "a").write_text("x")
        assert not (tmp_path / "new").exists()
    assert entries(tmp_path / "new") == ["a"]


def test_what_a_killed_run_left_is_removed_and_nothing_else(tmp_path):
    code = (
        "import os, sys; from pathlib import Path;"
        "from halfvolley.session.files import folder_atomic\n"
        "with folder_atomic(Path(sys.argv[1]) / 'stage' / 'key') as f:\n"
        "    (f / 'a').write_text('x'); os._exit(9)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False)
    assert done.returncode == 9
    assert len(entries(tmp_path / "stage")) == 1
    (tmp_path / "stage" / "kept").mkdir()
    remove_unfinished(tmp_path)
    assert entries(tmp_path / "stage") == ["kept"]


def test_one_writer_at_a_time(tmp_path):
    with only_writer(tmp_path / "computed"):
        with (
            pytest.raises(StorageError, match=rf"process {os.getpid()}"),
            only_writer(tmp_path / "computed"),
        ):
            pass
        with only_writer(tmp_path / "another"):
            pass
    with only_writer(tmp_path / "computed"):
        pass


def test_the_lock_of_a_killed_program_does_not_stay(tmp_path):
    code = (
        "import os, sys; from pathlib import Path;"
        "from halfvolley.session.files import only_writer\n"
        "with only_writer(Path(sys.argv[1])):\n    os._exit(9)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False)
    assert done.returncode == 9
    assert (tmp_path / ".lock").exists()
    with only_writer(tmp_path):
        pass
