"""The network's file, its maps, and the finder that asks it."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import maximum_filter

from halfvolley.ball import maps
from halfvolley.ball.network import load_detector
from halfvolley.ball.network_finder import NetworkFinder, NetworkSettings
from halfvolley.constants import SHIPPED_NETWORK
from halfvolley.errors import BadInput
from halfvolley.types import ClipInfo, Frame, concatenate

W, H, FPS = 320, 192, 60.0


@pytest.fixture(scope="module")
def detector():
    return load_detector()


def info(n):
    return ClipInfo(
        Path("made.mp4"), (W, H), 0, "h264", "yuv420p", 8, "bt709", False, Fraction(1, 600), FPS,
        np.arange(n) / FPS, False, (),
    )  # fmt: skip


def place(k):
    """A ball on a bow through the picture."""
    return 40.0 + 6.5 * k, 90.0 - 5.0 * k + 0.22 * k * k


def film(n, rng, ball=True, radius=5.0):
    """White ball before a plain wall with noise."""
    v, u = np.mgrid[0:H, 0:W]
    wall = 60.0 + 15.0 * (u > 200) + 10.0 * np.sin(v / 30.0)
    for k in range(n):
        luma = wall + rng.normal(0, 1.5, (H, W))
        if ball:
            x, y = place(k)
            cover = np.clip(radius - np.hypot(u - x, v - y) + 0.5, 0, 1)
            shade = 205.0 - 30.0 * np.clip((v - y) / radius, -1, 1)
            luma = luma + cover * (shade - luma)
        chroma = np.full((H // 2, W // 2), 128, np.uint8)
        yield Frame(k, k / FPS, np.clip(luma, 16, 235).astype(np.uint8), chroma, chroma.copy())


def found_in(frames, detector, n, **more):
    finder = NetworkFinder(info(n), detector, **more)
    return concatenate([*(finder.feed(f) for f in frames), finder.finish()])


def test_a_ball_is_found_where_it_is(detector):
    n = 24
    found = found_in(film(n, np.random.default_rng(1)), detector, n)
    off = []
    for k in range(4, n - 1):
        mine = np.flatnonzero((found.frame == k) & (found.score > 0.5))
        assert len(mine), k
        off.append(np.hypot(*(found.uv_px[mine] - place(k)).T).min())
    assert np.median(off) < 0.4
    assert max(off) < 2.0
    assert np.all(found.source == 1)
    assert np.all((found.score >= 0) & (found.score <= 1))


def test_an_empty_hall_gives_no_sure_ball(detector):
    n = 16
    found = found_in(film(n, np.random.default_rng(2), ball=False), detector, n)
    assert not np.any(found.score > 0.5)


def test_nothing_is_found_under_a_mask(detector):
    n = 16
    whole = np.array([[-1.0, -1.0], [W, -1.0], [W, H], [-1.0, H]])
    found = found_in(film(n, np.random.default_rng(1)), detector, n, masks=[whole])
    assert not np.any(found.score > 0.0)


def counted(detector):
    """The detector, and a list that grows by the pixels that each call shows it."""
    seen = []

    def maps_of(luma, chroma):
        seen.append(luma.shape[0] * luma.shape[2] * luma.shape[3])
        return detector.maps(luma, chroma)

    counting = SimpleNamespace(frames=detector.frames, stride=detector.stride, maps=maps_of)
    return counting, seen


def test_where_nothing_moves_the_network_is_not_run(detector):
    n = 40
    still = next(film(1, np.random.default_rng(4)))
    counting, seen = counted(detector)
    frames = (Frame(k, k / FPS, still.luma, still.cb, still.cr) for k in range(n))
    found_in(frames, counting, n)
    assert not seen


def test_a_followed_ball_is_shown_in_few_small_crops(detector):
    n = 36
    counting, seen = counted(detector)
    finder = NetworkFinder(info(n), counting)
    spent = []
    for frame in film(n, np.random.default_rng(1)):
        before = len(seen)
        finder.feed(frame)
        spent.append(sum(seen[before:]))
    later = np.array(spent[20:])  # its trail is long enough; the picture has 60 000 pixels
    assert np.mean(later == 0) > 0.4
    assert np.median(later) <= 64**2


def test_a_second_ball_is_seen_while_another_is_followed(detector):
    n = 40
    first = list(film(n, np.random.default_rng(1)))
    empty = list(film(n, np.random.default_rng(1), ball=False))
    start = 12
    frames = []
    for k in range(n):
        # the second is the first one some frames later, as in a mirror, before the same noise
        luma = first[k].luma.astype(int)
        if k >= start:
            luma += (first[k - start].luma.astype(int) - empty[k - start].luma)[:, ::-1]
        luma = luma.clip(16, 235).astype(np.uint8)
        frames.append(Frame(k, k / FPS, luma, first[k].cb, first[k].cr))
    found = found_in(frames, detector, n)
    late = []
    for k in range(start, n - 2):
        u, v = place(k - start)
        at = np.array([W - 1 - u, v])
        mine = np.flatnonzero((found.frame == k) & (found.score > 0.5))
        if not np.any(np.hypot(*(found.uv_px[mine] - at).T) < 3.0):
            late.append(k)
    assert len(late) < 8, late  # other balls are looked for in every eighth frame


def with_ball(frame, at, radius=5.0):
    """A frame with the ball of `film` somewhere else."""
    v, u = np.mgrid[0:H, 0:W]
    x, y = at
    cover = np.clip(radius - np.hypot(u - x, v - y) + 0.5, 0, 1)
    luma = frame.luma + cover * (205.0 - 30.0 * np.clip((v - y) / radius, -1, 1) - frame.luma)
    return Frame(frame.index, frame.t_s, luma.clip(16, 235).astype(np.uint8), frame.cb, frame.cr)


def test_what_one_picture_alone_shows_is_no_sure_ball(detector):
    n, alone, at = 24, 15, (150.0, 100.0)
    empty = list(film(n, np.random.default_rng(5), ball=False))
    frames = [with_ball(f, at) if f.index == alone else f for f in empty]
    planes = [frames[k] for k in range(alone - 4, alone + 1)]
    out = detector.maps(
        np.stack([f.luma for f in planes])[None],
        np.stack([c for f in planes for c in (f.cb, f.cr)])[None],
    )
    assert 1.0 / (1.0 + np.exp(-out[0, 0].max())) > 0.5  # the network takes it for one
    found = found_in(frames, detector, n)
    there = found.score[found.frame == alone]
    assert len(there) and there.max() < 0.5
    # a second picture of it, a little further on, is enough
    frames[alone + 1] = with_ball(empty[alone + 1], (at[0] + 9.0, at[1] - 4.0))
    found = found_in(frames, detector, n)
    assert found.score[found.frame == alone].max() > 0.5


def test_a_ball_that_comes_out_slowly_near_where_it_was_lost_is_found(detector):
    """Though what moves more keeps the search of the whole picture busy, which is a large one."""
    n, hidden, back, times = 44, 14, 24, 5
    at, frames = {}, []
    for f in film(n, np.random.default_rng(6), ball=False):
        k = f.index
        if k < hidden:
            at[k] = place(k)
        elif k >= back:
            at[k] = (170.0 + 0.7 * (k - back), 62.0 + 0.9 * (k - back))
        luma = (with_ball(f, at[k]) if k in at else f).luma
        wide = np.concatenate([luma] + (times - 1) * [f.luma], axis=1)
        for i in range(12 if k >= hidden else 0):  # sticks far off, from then on
            u = 420 + 90 * i + int(25 * np.sin(1.3 * k + i))
            wide[40 + 10 * i : 44 + 10 * i, u : u + 18] = 20
        chroma = np.full((H // 2, times * W // 2), 128, np.uint8)
        frames.append(Frame(k, k / FPS, wide, chroma, chroma.copy()))
    finder = NetworkFinder(replace(info(n), size_px=(times * W, H)), detector)
    found = concatenate([*(finder.feed(f) for f in frames), finder.finish()])
    seen = [
        k
        for k in range(back + 4, n - 2)
        if np.any(
            (found.frame == k) & (found.score > 0.5)
            & (np.hypot(*(found.uv_px - at[k]).T) < 3.0)
        )
    ]  # fmt: skip
    assert len(seen) > 0.7 * (n - 2 - back - 4)


def test_peaks_are_the_maxima_that_scipy_finds():
    rng = np.random.default_rng(5)
    out = rng.normal(0, 2, (7, 21, 34)).astype(np.float32)
    out[6] = -2.5  # small things, so that hardly any lies on another
    found = maps.peaks(out, 4, 0.6, most=1000)
    top = maximum_filter(out[0], 3, mode="constant", cval=-np.inf) == out[0]
    rows, columns = np.nonzero(top & (out[0] > np.log(0.6 / 0.4)))
    u = (columns + 0.5 + out[1, rows, columns]) * 4 - 0.5
    v = (rows + 0.5 + out[2, rows, columns]) * 4 - 0.5
    want = np.column_stack([u, v])
    gap = np.hypot(*(found[:, None, :2] - want[None]).transpose(2, 0, 1))
    assert len(found) > 30 and gap.min(axis=1).max() < 1e-3
    lost = np.flatnonzero(gap.min(axis=0) > 1e-3)
    assert all(gap[:, i].min() < 3.0 for i in lost), "left out are only those next to a better one"
    assert np.all(np.diff(found[:, maps.SCORE]) <= 0)
    few = maps.peaks(out, 4, 0.6, most=5)
    assert np.array_equal(few, found[: len(few)])


def test_two_sizes_and_a_batch_go_in(detector):
    rng = np.random.default_rng(3)
    for n, h, w in ((1, 64, 96), (3, 48, 80)):
        luma = rng.integers(16, 235, (n, detector.frames, h, w), dtype=np.uint8)
        chroma = rng.integers(100, 150, (n, 2 * detector.frames, h // 2, w // 2), dtype=np.uint8)
        out = detector.maps(luma, chroma)
        assert out.shape == (n, 7, h // detector.stride, w // detector.stride)
        assert np.array_equal(out[:1], detector.maps(luma[:1], chroma[:1])) or np.allclose(
            out[:1], detector.maps(luma[:1], chroma[:1]), atol=1e-3
        )


def test_wrong_shapes_are_refused(detector):
    luma = np.zeros((1, detector.frames, 60, 96), np.uint8)
    with pytest.raises(BadInput, match="multiples of 16"):
        detector.maps(luma, np.zeros((1, 2 * detector.frames, 30, 48), np.uint8))
    with pytest.raises(BadInput, match="chroma of half the size"):
        detector.maps(luma, np.zeros((1, 2, 30, 48), np.uint8))


def test_files_that_are_no_detector_are_refused(tmp_path):
    with pytest.raises(BadInput, match="cannot be read"):
        load_detector(tmp_path / "missing.onnx")
    cut = tmp_path / "cut.onnx"
    cut.write_bytes(SHIPPED_NETWORK.read_bytes()[:5000])
    with pytest.raises(BadInput, match="damaged or no ONNX"):
        load_detector(cut)
    text = tmp_path / "text.onnx"
    text.write_text("import os")
    with pytest.raises(BadInput, match="damaged or no ONNX"):
        load_detector(text)


def test_a_foreign_onnx_file_is_refused(tmp_path):
    onnx = pytest.importorskip("onnx")
    model = onnx.load(str(SHIPPED_NETWORK))
    for entry in model.metadata_props:
        if entry.key == "format":
            entry.value = "another-program-1"
    path = tmp_path / "foreign.onnx"
    path.write_bytes(model.SerializeToString())
    with pytest.raises(BadInput, match="no detector of this program"):
        load_detector(path)


def test_peaks_are_read_as_they_were_written():
    out = np.zeros((7, 12, 20), np.float32)
    out[0] = -8.0
    out[0, 5, 7], out[0, 5, 8] = 2.0, 1.0  # the second lies beside the first
    out[1, 5, 7], out[2, 5, 7] = 0.25, -0.5
    out[3, 5, 7] = np.log(0.1)
    angle, length = np.deg2rad(-30.0), 24.0
    out[4, 5, 7] = length / 10 * np.cos(2 * angle)
    out[5, 5, 7] = length / 10 * np.sin(2 * angle)
    out[6, 5, 7] = np.log(6.0 / 5.0)
    found = maps.peaks(out, 4, 0.05)
    assert len(found) == 1
    u, v, score, sd, su, sv, radius = found[0]
    assert (u, v) == pytest.approx((7.75 * 4 - 0.5, 5.0 * 4 - 0.5))
    assert score == pytest.approx(1 / (1 + np.exp(-2.0)))
    assert sd == pytest.approx(0.4)
    assert radius == pytest.approx(6.0, rel=1e-5)
    streak = np.array([su, sv])
    want = length * np.array([np.cos(angle), np.sin(angle)])
    assert min(np.abs(streak - want).max(), np.abs(streak + want).max()) < 1e-4


def test_settings_are_checked():
    with pytest.raises(BadInput, match="search_every is 9"):
        NetworkSettings(search_every=9)
