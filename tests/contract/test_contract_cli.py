"""The command line: exit statuses, one plain sentence, and nothing lost."""

import json
import os
import re
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
from typer.testing import CliRunner

from halfvolley.cli import app
from halfvolley.session import pipeline
from halfvolley.video import VideoWriter, WriterSettings

SIZE_PX = (192, 108)


def run(*args):
    return CliRunner().invoke(app, [str(a) for a in args])


def write_clip(path, n=12, seed=0, rate=30):
    """Noise with no table in it."""
    rng = np.random.default_rng(seed)
    with VideoWriter(path, SIZE_PX, WriterSettings()) as writer:
        for i in range(n):
            writer.write(rng.integers(0, 255, (SIZE_PX[1], SIZE_PX[0], 3), np.uint8), i / rate)
    return path


@pytest.fixture
def clip(tmp_path):
    return write_clip(tmp_path / "clip.mp4")


def one_sentence(result):
    """The error stream of a command that was not done."""
    assert result.exit_code == 1, result.output
    assert result.stdout == ""
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1, result.stderr
    assert lines[0].startswith("halfvolley: ")
    assert "Traceback" not in lines[0]
    return lines[0]


def test_no_command_shows_help():
    assert "measure" in run("--help").stdout
    assert run("--help").exit_code == 0


def test_version_names_the_libraries():
    result = run("--version")
    assert result.exit_code == 0
    for name in ("halfvolley", "numpy", "opencv-python-headless", "python"):
        assert re.search(rf"^{name} \d", result.stdout, re.MULTILINE)


@pytest.mark.parametrize(
    "args", [["nothing"], ["measure"], ["measure", "x", "--nothing"], ["new", "x"],
             ["calibrate", "x", "--table", "0"]],
)  # fmt: skip
def test_wrong_use_is_2(args):
    assert run(*args).exit_code == 2


@pytest.mark.parametrize("corners", ["1,2 3,4", "a,b c,d e,f g,h", "1,2,3 1,2 1,2 1,2"])
def test_corners_that_are_no_points_are_wrong_use(tmp_path, clip, corners):
    run("new", tmp_path / "s", clip)
    result = run("calibrate", tmp_path / "s", "--corners", corners)
    assert result.exit_code == 2
    assert "four points" in result.stderr


def test_corners_say_by_themselves_which_end_is_a_and_which_table(tmp_path, clip):
    run("new", tmp_path / "s", clip)
    before = (tmp_path / "s" / "session.toml").read_text()
    for more in (("--end-a", "left"), ("--table", "2")):
        result = run("calibrate", tmp_path / "s", "--corners", "17,68 40,45 155,46 173,70", *more)
        assert result.exit_code == 2
        assert "leave out" in result.stderr
    assert (tmp_path / "s" / "session.toml").read_text() == before


def test_what_the_system_refuses_is_one_sentence(tmp_path, clip):
    words = one_sentence(run("new", tmp_path / ("x" * 300), clip))  # no name is so long
    assert "x" * 300 in words


def test_a_folder_is_no_detector(tmp_path, clip):
    run("new", tmp_path / "s", clip)
    run("calibrate", tmp_path / "s", "--corners", "17,68 40,45 155,46 173,70")
    (tmp_path / "taught.onnx").mkdir()
    path = tmp_path / "s" / "session.toml"
    lines = path.read_text().replace("[ball]", f"[ball]\ndetector = '{tmp_path / 'taught.onnx'}'")
    path.write_text(lines)
    assert "taught.onnx" in one_sentence(run("measure", tmp_path / "s"))


def test_new_says_what_the_clip_is_and_what_comes_next(tmp_path, clip):
    before = clip.read_bytes()
    result = run("new", tmp_path / "s", clip, "--colour", "white")
    assert result.exit_code == 0
    assert "clip: 192 x 108, 30.00 frames/s, 0.4 s" in result.stdout
    assert "Next: halfvolley measure" in result.stdout
    assert clip.read_bytes() == before
    assert "session already" in one_sentence(run("new", tmp_path / "s", clip))


def test_new_refuses_what_is_no_clip_and_leaves_nothing(tmp_path):
    (tmp_path / "text.mp4").write_text("this is no video")
    (tmp_path / "empty.mp4").write_bytes(b"")
    for name in ("none.mp4", "text.mp4", "empty.mp4"):
        words = one_sentence(run("new", tmp_path / "s", tmp_path / name))
        assert name in words
    assert not (tmp_path / "s").exists()
    assert run("new", tmp_path / "s", tmp_path).exit_code == 1


@pytest.mark.parametrize("command", ["measure", "report", "calibrate"])
def test_what_is_no_session(tmp_path, clip, command):
    assert "no such session" in one_sentence(run(command, tmp_path / "none"))
    assert "is a file, not a session" in one_sentence(run(command, clip))
    assert "has no session.toml" in one_sentence(run(command, tmp_path))


def test_a_typo_names_line_and_key(tmp_path, clip):
    run("new", tmp_path / "s", clip)
    path = tmp_path / "s" / "session.toml"
    path.write_text(path.read_text().replace("colour =", "color ="))
    words = one_sentence(run("measure", tmp_path / "s"))
    assert re.search(r"line 9: ball\.color .*did you mean colour\?", words)


def test_no_table_says_how_to_give_corners(tmp_path, clip):
    run("new", tmp_path / "s", clip)
    words = one_sentence(run("measure", tmp_path / "s"))
    assert "no table" in words
    assert "--corners" in words
    assert not (tmp_path / "s" / "tables").exists()
    assert "no complete result" in one_sentence(run("report", tmp_path / "s"))


@pytest.mark.parametrize(
    "corners",
    ["20,80 170,80 60,40 130,40", "20,80 60,80 100,80 140,80", "20,80 130,40 60,40 170,80"],
)
def test_corners_that_are_no_table(tmp_path, clip, corners):
    run("new", tmp_path / "s", clip)
    words = one_sentence(run("calibrate", tmp_path / "s", "--corners", corners))
    assert "corner" in words


def test_a_clip_that_is_gone(tmp_path, clip):
    run("new", tmp_path / "s", clip)
    clip.unlink()
    assert "no such file" in one_sentence(run("measure", tmp_path / "s"))
    plan = run("measure", tmp_path / "s", "--dry-run")
    assert plan.exit_code == 0
    assert "no such file" in plan.stdout


def test_corners_of_several_clips_need_a_name(tmp_path, clip):
    other = write_clip(tmp_path / "other.mp4")
    run("new", tmp_path / "s", clip, other)
    corners = "17,68 40,45 155,46 173,70"
    result = run("calibrate", tmp_path / "s", "--corners", corners)
    assert result.exit_code == 2
    assert "--clip" in result.stderr
    named = run("calibrate", tmp_path / "s", "--corners", corners, "--clip", "other")
    assert named.exit_code == 0, named.output
    text = (tmp_path / "s" / "session.toml").read_text()
    assert text.index("corners_px = [[17") > text.index("other.mp4")
    assert (tmp_path / "s" / "report" / "other-camera.png").exists()


def measured_without_table(tmp_path, clip):
    """Corners given by hand on noise: a camera, and no ball."""
    run("new", tmp_path / "s", clip)
    run("calibrate", tmp_path / "s", "--corners", "17,68 40,45 155,46 173,70")
    return run("measure", tmp_path / "s")


def test_no_ball_is_an_answer(tmp_path, clip):
    result = measured_without_table(tmp_path, clip)
    assert result.exit_code == 0, result.output
    assert "No bounce was measured" in result.stdout
    assert re.search(r"clip: network ball.onnx on CPU, \d+ frames a second", result.stdout)
    assert (tmp_path / "s" / "tables" / "contacts.csv").read_text().count("\n") == 1
    assert (tmp_path / "s" / "report" / "report.html").exists()


def test_a_report_that_was_not_finished_is_written_the_next_time(tmp_path, clip):
    measured_without_table(tmp_path, clip)
    page = tmp_path / "s" / "report" / "report.html"
    page.unlink()
    assert "Report:" in run("measure", tmp_path / "s").stdout
    os.utime(page, (1, 1))  # of before these tables
    assert "Report:" in run("measure", tmp_path / "s").stdout
    assert page.stat().st_mtime > 1
    assert run("measure", tmp_path / "s").stdout.startswith("Nothing to do")


def test_a_clip_that_is_cut_short_is_measured_as_far_as_it_goes(tmp_path):
    clip = write_clip(tmp_path / "clip.mkv", n=60)
    whole = clip.read_bytes()
    clip.write_bytes(whole[: int(0.6 * len(whole))])
    result = measured_without_table(tmp_path, clip)
    assert result.exit_code == 0, result.output
    assert "cut short" in result.stdout
    manifest = json.loads((tmp_path / "s" / "tables" / "manifest.json").read_text())
    assert any("cut short" in words for words in manifest["clips"]["clip"]["warnings"])


def test_a_second_time_there_is_nothing_to_do(tmp_path, clip):
    measured_without_table(tmp_path, clip)
    heavy = ("numba", "scipy", "av", "pyarrow")  # seconds of imports, on a slow machine
    script = (
        "import sys; from halfvolley.cli import main\n"
        "try: main()\n"
        f"finally: print(*sorted(set({heavy}) & sys.modules.keys()), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, "measure", str(tmp_path / "s")],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.startswith("Nothing to do")
    assert done.stderr == "\n", "no bar where there is no terminal, and nothing heavy"
    assert run("measure", tmp_path / "s", "--dry-run").stdout == (
        "Nothing to do: all is up to date.\n"
    )


def test_json_for_machines(tmp_path, clip):
    measured_without_table(tmp_path, clip)
    result = run("measure", tmp_path / "s", "--json")
    said = json.loads(result.stdout)
    assert said["did"] == []
    assert said["clips"]["clip"]["bounces"] == 0
    steps = json.loads(run("measure", tmp_path / "s", "--dry-run", "--json").stdout)["steps"]
    assert [s["stage"] for s in steps][-1] == "tables"
    assert all(s["why"] == [] for s in steps)


def test_a_full_disk_is_a_sentence(tmp_path, clip, monkeypatch):
    run("new", tmp_path / "s", clip)
    from halfvolley.session import files

    def full(handle):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(files.os, "fsync", full)
        words = one_sentence(run("measure", tmp_path / "s"))
    assert "no space left" in words
    assert "free some space" in words


def test_ctrl_c_says_that_nothing_is_lost(tmp_path, clip, monkeypatch):
    run("new", tmp_path / "s", clip)

    def stop(folder, progress=None):
        raise KeyboardInterrupt

    monkeypatch.setattr(pipeline, "measure", stop)
    result = run("measure", tmp_path / "s")
    assert result.exit_code == 130
    assert "what was finished is kept" in result.stderr


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGKILL])
def test_a_run_that_is_stopped_goes_on_later(tmp_path, sent):
    long = write_clip(tmp_path / "long.mp4", n=240, rate=60)
    run("new", tmp_path / "s", long)
    run("calibrate", tmp_path / "s", "--corners", "17,68 40,45 155,46 173,70")
    computed = tmp_path / "s" / "computed"
    (computed / ".lock").unlink()  # that of calibrate; a new one says that measuring has begun
    process = subprocess.Popen(
        [sys.executable, "-m", "halfvolley.cli", "measure", str(tmp_path / "s")],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    deadline = time.monotonic() + 60
    while not (computed / ".lock").exists() and time.monotonic() < deadline:
        time.sleep(0.01)
    time.sleep(0.5)
    process.send_signal(sent)
    _, stderr = process.communicate(timeout=60)
    if process.returncode == 0:
        pytest.fail("the run was over before it was stopped; make the clip longer")
    if sent == signal.SIGINT:
        # CPython still dies by the signal where it came inside an exec of text, as in namedtuple
        assert process.returncode in (130, -signal.SIGINT)
        assert "what was finished is kept" in stderr
    else:
        assert process.returncode == -signal.SIGKILL
    assert "Traceback" not in stderr
    assert not (tmp_path / "s" / "tables" / "manifest.json").exists()
    again = run("measure", tmp_path / "s")
    assert again.exit_code == 0, again.output
    assert not list(computed.rglob(".unfinished-*"))
