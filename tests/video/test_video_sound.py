"""Sound on the clip's own clock."""

import tracemalloc
from fractions import Fraction

import av
import numpy as np
import pytest

from halfvolley.errors import FootageError, Unknown
from halfvolley.video import (
    Onset,
    OnsetSettings,
    SoundChunk,
    VideoWriter,
    WriterSettings,
    find_onsets,
    iter_onsets,
    probe,
    read_audio,
)

RATE = 48_000


def click(at_s: float, n: int, level: float = 0.5, rate_hz: int = RATE) -> np.ndarray:
    """A struck ball: two damped tones that begin at once, at a time between samples."""
    sound = np.zeros(n)
    start = int(np.ceil(at_s * rate_hz))
    live_s = np.arange(start, min(start + rate_hz // 25, n)) / rate_hz - at_s
    sound[start : start + len(live_s)] = level * (
        np.sin(2 * np.pi * 5200 * live_s) * np.exp(-live_s / 1.5e-3)
        + 0.7 * np.cos(2 * np.pi * 3100 * live_s) * np.exp(-live_s / 3e-3)
    )
    return sound


def chunks_of(samples: np.ndarray, size: int = 1024, rate_hz: int = RATE, start_s: float = 0.0):
    for k in range(0, len(samples), size):
        piece = samples[k : k + size].astype(np.float32)
        yield SoundChunk(start_s + k / rate_hz, rate_hz, piece, k > 0)


# --- reading ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "codec", "start", "tolerance_s"),
    [
        ("a.mp4", "aac", 0, 1e-6),
        ("a.mov", "pcm_s16le", 4800, 1e-6),
        ("a.mkv", "pcm_s16le", 4800, 0.6e-3),  # stamps in whole ms
        ("a.mkv", "aac", 4800, 0.6e-3),
        ("a.avi", "pcm_s16le", 0, 1e-6),
    ],
)
def test_sound_lies_where_it_was_written(make_clip, name, codec, start, tolerance_s):
    sound = np.zeros(RATE, np.float32)
    sound[20_000] = 0.9  # one sample of noise
    video = {"rate": Fraction(60), "time_base": Fraction(1, 60)} if name.endswith("avi") else {}
    path = make_clip(
        name, n=60, sound=sound, sound_codec=codec, sound_start=start, **video
    )  # fmt: skip
    chunks = list(read_audio(path))
    assert {c.rate_hz for c in chunks} == {RATE}
    assert [c.follows for c in chunks] == [False] + [True] * (len(chunks) - 1)
    values = np.concatenate([c.samples for c in chunks])
    t_s = np.concatenate([c.t_s + np.arange(len(c.samples)) / RATE for c in chunks])
    assert values.dtype == np.float32
    peak_s = t_s[np.argmax(np.abs(values))]
    assert peak_s == pytest.approx((start + 20_000) / RATE, abs=tolerance_s)
    # one clock: no step between pieces beyond what the mean of rounded stamps still moves
    assert np.abs(np.diff(t_s) - 1 / RATE).max() < tolerance_s


def test_all_channels_are_heard(tmp_path):
    path = tmp_path / "two.mkv"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("pcm_s16le", rate=RATE, layout="stereo")
        left_right = np.zeros((1, 2 * 4096), np.int16)
        left_right[0, 2 * 1000] = 20_000  # left only
        left_right[0, 2 * 3000 + 1] = 20_000  # right only
        frame = av.AudioFrame.from_ndarray(left_right, "s16", "stereo")
        frame.sample_rate = RATE
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    samples = np.concatenate([c.samples for c in read_audio(path)])
    assert np.flatnonzero(np.abs(samples) > 0.1).tolist() == [1000, 3000]
    assert samples[1000] == pytest.approx(samples[3000])
    assert 0.3 < samples[1000] < 0.65  # half of 0.61, or that by the square root of two


def test_no_sound(make_clip, tmp_path):
    path = make_clip(n=3)
    with pytest.raises(FootageError, match="holds no sound that can be decoded"):
        list(read_audio(path))
    assert find_onsets(path) == Unknown(f"{path} has no sound")
    with pytest.raises(FootageError, match="no such file"):
        find_onsets(tmp_path / "none.mp4")


def test_written_sound_and_picture_share_a_clock(tmp_path):
    """The writer's own path: a click that starts at 1.3 s beside pictures from 0.5 s on."""
    path = tmp_path / "w.mp4"
    sound = click(0.6, RATE).astype(np.float32)
    with VideoWriter(path, (64, 48), WriterSettings(audio_rate_hz=RATE)) as writer:
        writer.write_sound(sound[:777], 0.7)
        writer.write_sound(sound[777:])
        for k in range(30):
            writer.write(np.full((48, 64, 3), 80, np.uint8), 0.5 + k / 60)
    info = probe(path)
    assert info.has_audio
    assert info.pts_s[0] == 0.5
    onsets = find_onsets(path)
    # the coder's delay is told by the container, which here rounds it to 1/90000 s
    assert onsets.t_s == pytest.approx([1.3], abs=0.2e-3)


# --- onsets -------------------------------------------------------------------------------------


def made(rng, n_s: float, times_s, level: float, noise: float, rate_hz: int = RATE) -> np.ndarray:
    n = int(n_s * rate_hz)
    sound = rng.normal(0, noise, n)
    for t_s in times_s:
        first = max(int(t_s * rate_hz) - 10, 0)
        part = sound[first : first + rate_hz // 20]
        part += click(t_s - first / rate_hz, len(part), level, rate_hz)
    return sound


def random_times(rng, n_s: float, spacing_s: float = 0.25) -> np.ndarray:
    """Times between samples, at least 60 ms apart, whatever the blocks are."""
    slots = np.arange(0.1, n_s - 0.2, spacing_s)
    return slots + rng.uniform(0, spacing_s - 0.06, len(slots))


@pytest.mark.parametrize("level", [0.5, 0.05, 0.015])
def test_clicks_are_found_and_timed_as_well_as_claimed(level):
    """Noise of 0.002; the weakest clicks stand 20 dB above it in the band that is heard."""
    rng = np.random.default_rng(12)
    times_s = random_times(rng, 20.0)
    found = list(iter_onsets(chunks_of(made(rng, 20.0, times_s, level, 0.002))))
    assert len(found) == len(times_s)
    error_s = np.array([o.t_s for o in found]) - times_s
    assert np.abs(error_s).max() < 0.5e-3
    assert np.std(error_s) < 0.1e-3
    z = error_s / np.array([o.sd_s for o in found])
    assert np.mean(np.abs(z) < 1) > 0.68
    assert np.mean(np.abs(z) < 2) > 0.95


def test_the_claimed_sd_grows_as_clicks_drown():
    """Control: at the edge of hearing the likelihood itself is wide, and says so."""
    sds = []
    for level in (0.5, 0.006):
        rng = np.random.default_rng(3)
        times_s = random_times(rng, 20.0)
        found = list(iter_onsets(chunks_of(made(rng, 20.0, times_s, level, 0.002))))
        assert len(found) > 0.5 * len(times_s)
        sds.append(np.median([o.sd_s for o in found]))
    assert sds[1] > 1.5 * sds[0]


@pytest.mark.parametrize("kind", ["noise", "silence", "hum", "voice", "buzz"])
def test_what_is_no_click(kind):
    """Ten seconds without a ball."""
    rng = np.random.default_rng(7)
    t_s = np.arange(10 * RATE) / RATE
    sound = {
        "noise": rng.normal(0, 0.05, len(t_s)),
        "silence": np.zeros(len(t_s)),
        "hum": 0.3 * np.sin(2 * np.pi * 50 * t_s) + rng.normal(0, 1e-3, len(t_s)),
        # syllables with a hissing part: loud in the band, but rising over 30 ms
        "voice": rng.normal(0, 0.1, len(t_s)) * np.clip(np.sin(2 * np.pi * 3 * t_s), 0, 1) ** 2
        + rng.normal(0, 2e-3, len(t_s)),
        # a lamp's driver: harmonics of 100 Hz up to 8 kHz
        "buzz": sum(
            0.01 * np.sin(2 * np.pi * 100 * k * t_s + rng.uniform(0, 2 * np.pi))
            for k in range(1, 81)
        )
        + rng.normal(0, 1e-3, len(t_s)),
    }[kind]
    assert list(iter_onsets(chunks_of(sound))) == []


def test_an_echo_is_not_a_contact_but_a_second_contact_is():
    rng = np.random.default_rng(5)
    sound = rng.normal(0, 1e-3, 3 * RATE)
    sound += click(1.0, len(sound), 0.5) + click(1.024, len(sound), 0.2)  # a wall 4 m behind
    sound += click(2.0, len(sound), 0.3) + click(2.05, len(sound), 0.5)  # bounce, half volley
    found = [o.t_s for o in iter_onsets(chunks_of(sound))]
    assert found == pytest.approx([1.0, 2.0, 2.05], abs=0.3e-3)


@pytest.mark.parametrize("size", [100, 1024, 30_000, 10**6])
@pytest.mark.parametrize("block_s", [0.3, 2.0])
def test_pieces_and_blocks_do_not_matter(size, block_s):
    rng = np.random.default_rng(9)
    times_s = random_times(rng, 6.0, 0.11)
    sound = made(rng, 6.0, times_s, 0.3, 0.002)
    settings = OnsetSettings(block_s=block_s)
    found = [o.t_s for o in iter_onsets(chunks_of(sound, size, start_s=100.0), settings)]
    assert len(found) == len(times_s)
    assert found == pytest.approx(100.0 + times_s, abs=0.5e-3)


@pytest.mark.parametrize("rate_hz", [16_000, 44_100, 48_000, 96_000])
def test_sampling_rates(rate_hz):
    rng = np.random.default_rng(9)
    times_s = random_times(rng, 6.0)
    sound = made(rng, 6.0, times_s, 0.3, 0.002, rate_hz)
    found = [o.t_s for o in iter_onsets(chunks_of(sound, rate_hz=rate_hz))]
    assert found == pytest.approx(times_s, abs=0.3e-3)


def test_a_gap_in_the_sound_is_not_bridged():
    rng = np.random.default_rng(9)
    first, second = (made(rng, 1.0, [0.4], 0.3, 0.002) for _ in range(2))
    pieces = [*chunks_of(first), *chunks_of(second, start_s=7.0)]
    assert [o.t_s for o in iter_onsets(pieces)] == pytest.approx([0.4, 7.4], abs=0.3e-3)


@pytest.mark.parametrize(
    ("name", "bitrate"), [("a.mp4", 128_000), ("a.mp4", 64_000), ("a.mkv", 128_000)]
)
def test_through_a_coder(tmp_path, name, bitrate):
    """AAC smears part of a click over the 3 ms before it; the onset must not follow."""
    rng = np.random.default_rng(21)
    times_s = random_times(rng, 12.0)
    sound = made(rng, 12.0, times_s, 0.4, 0.002).astype(np.float32)
    path = tmp_path / name
    how = WriterSettings(audio_rate_hz=RATE, audio_bitrate_bps=bitrate)
    with VideoWriter(path, (64, 48), how) as writer:
        writer.write_sound(sound)
        for k in range(12):
            writer.write(np.full((48, 64, 3), 80, np.uint8), float(k))
    found = find_onsets(path)
    assert len(found.t_s) == len(times_s)
    error_s = found.t_s - times_s
    error_s = error_s - np.median(error_s)  # a constant offset of the track is found elsewhere
    assert np.abs(error_s).max() < 1e-3
    assert np.mean(np.abs(error_s) < 2 * found.sd_s) >= 0.95


def test_memory_stays_flat():
    """Five minutes of sound are 115 MB in double precision."""
    rng = np.random.default_rng(1)
    second = made(rng, 1.0, [0.5], 0.3, 0.002).astype(np.float32)

    def stream():
        for k in range(300):
            yield SoundChunk(float(k), RATE, second, k > 0)

    tracemalloc.start()
    n = sum(1 for o in iter_onsets(stream()) if isinstance(o, Onset))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert n == 300
    assert peak < 25e6
