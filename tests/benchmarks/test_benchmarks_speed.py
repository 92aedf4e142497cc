"""The speed benchmark on a clip of a second: what it repeats, times and reports."""

import sys
from pathlib import Path
from types import SimpleNamespace

import av
import cv2
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import speed

from halfvolley import probe
from halfvolley.video import VideoWriter, WriterSettings

SIZE, FRAMES, RATE = (320, 180), 45, 60


def write(path, sound_s=None, shift=0):
    """Moving noise; with sound that lasts longer than the picture."""
    rng = np.random.default_rng(0)
    wall = cv2.GaussianBlur(rng.integers(0, 256, (180, 420), dtype=np.uint8), (0, 0), 2)
    grey = np.full((90, 160), 128, np.uint8)
    settings = WriterSettings(rate=RATE, audio_rate_hz=48_000 if sound_s else None)
    with VideoWriter(path, SIZE, settings) as out:
        if sound_s:
            out.write_sound(rng.normal(0, 0.1, int(48_000 * sound_s)).astype(np.float32))
        for k in range(FRAMES):
            out.write_planes(
                np.ascontiguousarray(wall[:, k + shift : k + shift + 320]), grey, grey, k / RATE
            )
    return path


@pytest.mark.parametrize("sound_s", [None, 0.9])
def test_a_repeated_clip_runs_on(tmp_path, sound_s):
    clip = write(tmp_path / "one.mp4", sound_s)
    long = speed.repeat([clip], tmp_path / "long.mp4", 2.0)
    info = probe(long)
    assert len(info.pts_s) == 3 * FRAMES, "three times 0.75 s are 2 s or more"
    assert np.diff(info.pts_s) == pytest.approx(np.full(3 * FRAMES - 1, 1 / RATE), abs=2e-5)
    assert not info.warnings
    assert speed.decoded(long) == 3 * FRAMES
    first, again = pictures(long, 3), pictures(long, FRAMES + 3)
    assert np.array_equal(first, again) and not np.array_equal(first, pictures(long, 4))
    assert info.has_audio == (sound_s is not None)


def test_pieces_follow_each_other_in_turn(tmp_path):
    one, other = write(tmp_path / "one.mp4"), write(tmp_path / "other.mp4", shift=50)
    long = speed.repeat([one, other, other], tmp_path / "long.mp4", 3.0)
    assert np.diff(probe(long).pts_s) == pytest.approx(np.full(4 * FRAMES - 1, 1 / RATE), abs=2e-5)
    seen = [pictures(long, k * FRAMES + 3) for k in range(4)]
    assert np.array_equal(seen[0], seen[3]) and np.array_equal(seen[1], seen[2])
    assert np.array_equal(seen[1], pictures(other, 3)) and not np.array_equal(seen[0], seen[1])


def pictures(path, index):
    with av.open(str(path)) as reader:
        for i, frame in enumerate(reader.decode(video=0)):
            if i == index:
                return frame.to_ndarray()
    raise IndexError(index)


def test_another_size_and_ten_bits(tmp_path):
    clip = write(tmp_path / "one.mp4")
    out = speed.recode(clip, tmp_path / "ten.mp4", 0.25, (640, 360), "libx265", "yuv420p10le")
    info = probe(out)
    assert info.size_px == (640, 360) and info.bits == 10 and info.codec == "hevc"
    assert len(info.pts_s) == pytest.approx(15, abs=1)


def test_stages_are_timed_one_by_one(tmp_path, monkeypatch):
    """The time of a stage is that until the next one says what it does."""
    now = [0.0]
    monkeypatch.setattr(speed.time, "perf_counter", lambda: now[0])
    monkeypatch.setattr(speed, "new_session", lambda session, clips: None)

    def measure(session, progress):
        for seconds, stage in enumerate(speed.STAGES, start=1):
            progress(f"clip: {stage.doing}", 0.0)
            now[0] += seconds
            progress(f"clip: {stage.doing}", 1.0)

    monkeypatch.setattr(speed, "measure", measure)
    run = speed.measured(Path("clip.mp4"), tmp_path)
    total = sum(range(1, len(speed.STAGES) + 1))
    assert run.took_s == total and sum(run.stages_s.values()) == total
    order = [stage.name for stage in speed.STAGES]
    for name in ("camera", "scan"):
        assert run.stages_s[name] == order.index(name) + 1


def test_the_share_is_rate_over_rate():
    runs = [speed.Run(10.0, {"scan": 6.0}), speed.Run(5.0, {"scan": 4.0})]
    r = speed.Rates(600, 10.0, [4.0, 3.0], runs)
    assert r.share == [0.4, 0.6]
    rows = dict(speed.rows_of("clip", r))
    assert rows["clip: measure, frames/s"] == "90 (60-120)"
    assert rows["clip: share (target >= 0.4)"] == "0.50 (0.40-0.60)"
    assert rows["clip: times as fast as the clip plays (target > 1)"] == "1.50 (1.00-2.00)"


def test_a_fresh_process_tells_its_memory(tmp_path, monkeypatch):
    script = tmp_path / "child.py"
    script.write_text(
        "import json, sys\nbig = bytearray(1)\nprint('words')\n"
        "print(json.dumps({'took_s': 1.0, 'peak_mb': len(sys.argv)}))\n"
    )
    monkeypatch.setattr(speed, "__file__", str(script))
    took_s, peak = speed.in_fresh_process(tmp_path / "clip.mp4", tmp_path / "session")
    assert took_s > 0 and peak == 4  # the script, --child, the clip and the session


def test_a_whole_run_on_a_small_made_clip(tmp_path, monkeypatch):
    from made import Wanted, make

    monkeypatch.setattr(speed, "SHORT_S", 1.0)
    monkeypatch.setattr(speed, "PIECE_S", 0.6)
    fresh = []

    def once(clip, session, real=speed.in_fresh_process):
        fresh.append(fresh[0] if fresh else real(clip, session))
        return fresh[-1]

    monkeypatch.setattr(speed, "in_fresh_process", once)  # each costs seconds
    clip = make(Wanted(3, 0, seconds=1.0, size_px=(768, 432)), tmp_path)
    said = SimpleNamespace(seconds=2.0, rounds=1, long=False, rest=False, formats=False)
    text = speed.benchmark(clip, tmp_path, said)
    rows = dict(line.strip("| ").split(" | ") for line in text.splitlines()[2:])
    assert 0 < float(rows["432p60, 2 s: share (target >= 0.4)"]) < 5
    assert float(rows["of it scan, ms for each second of footage"]) > 0
    assert 50 < float(rows["peak memory, 1 s, MB (target < 1500)"]) < 3000
    assert len(fresh) == 3, "start-up, memory of a short and of a long clip"
