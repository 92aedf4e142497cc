"""Colour matrices and ranges against the standards' numbers and another library."""

from dataclasses import replace

import numpy as np
import pytest
from skimage import color

from halfvolley.errors import BadInput
from halfvolley.types.frames import Frame
from halfvolley.video import FrameReader, VideoWriter, planes_from_rgb, probe, rgb_from_ycc, to_rgb


@pytest.fixture
def info(make_clip):
    return probe(make_clip(n=1))


def flat_frame(y: int, cb: int, cr: int, size: tuple[int, int] = (18, 10)) -> Frame:
    width, height = size
    half = ((height + 1) // 2, (width + 1) // 2)
    return Frame(
        0, 0.0, np.full((height, width), y, np.uint8), np.full(half, cb, np.uint8),
        np.full(half, cr, np.uint8),
    )  # fmt: skip


# ITU-R BT.601 and BT.709, limited range, worked out from their luma weights. Tolerance: two levels,
# since the coded values are rounded themselves and chroma counts up to 2.1 times.
LIMITED = [
    ("bt709", (63, 102, 240), (255, 0, 0)),
    ("bt601", (81, 90, 240), (255, 0, 0)),
    ("bt709", (141, 59, 189), (255, 128, 0)),
    ("bt601", (146, 53, 193), (255, 128, 0)),
    ("bt709", (164, 46, 174), (255, 165, 0)),
    ("bt601", (165, 42, 179), (255, 165, 0)),
    ("bt709", (173, 42, 26), (0, 255, 0)),
    ("bt601", (145, 54, 34), (0, 255, 0)),
    ("bt709", (32, 240, 118), (0, 0, 255)),
    ("bt601", (41, 240, 110), (0, 0, 255)),
    ("bt2020", (235, 128, 128), (255, 255, 255)),
    ("bt2020", (16, 128, 128), (0, 0, 0)),
    # read by the wrong matrix: what the trap looks like
    ("bt601", (63, 102, 240), (233, 0, 2)),
    ("bt709", (81, 90, 240), (255, 24, 0)),
    ("bt601", (141, 59, 189), (243, 123, 6)),
]


@pytest.mark.parametrize(("matrix", "ycc", "rgb"), LIMITED)
def test_limited_range(info, matrix, ycc, rgb):
    picture = to_rgb(flat_frame(*ycc), replace(info, colour_matrix=matrix, full_range=False))
    assert picture.shape == (10, 18, 3)
    assert np.abs(picture.astype(int) - rgb).max() <= 2  # coded values are rounded themselves
    assert np.abs(picture[0, 0].astype(int) - picture[-1, -1]).max() == 0


def test_the_matrix_makes_a_difference(info):
    """Control: the tolerance above would notice the wrong matrix."""
    frame = flat_frame(63, 102, 240)
    right = to_rgb(frame, replace(info, colour_matrix="bt709"))
    wrong = to_rgb(frame, replace(info, colour_matrix="bt601"))
    assert np.abs(right.astype(int) - wrong).max() > 20


def test_full_range_601_against_jpeg(info):
    """ITU-T T.871 (JFIF): red is (76, 85, 255); 254 comes back since 255.5 is held at 255."""
    picture = to_rgb(flat_frame(76, 85, 255), replace(info, colour_matrix="bt601", full_range=True))
    assert picture[0, 0].tolist() == pytest.approx([254, 0, 0], abs=1)


def test_limited_601_against_scikit_image(info):
    rng = np.random.default_rng(2)
    ycc = np.column_stack([rng.integers(30, 220, 200), rng.integers(60, 200, (200, 2))])
    clip = replace(info, colour_matrix="bt601", full_range=False)
    mine = np.array([to_rgb(flat_frame(*row), clip)[3, 3] for row in ycc.tolist()])
    theirs = 255 * np.clip(color.ycbcr2rgb(ycc.astype(float)), 0, 1)
    assert np.abs(mine - theirs).max() <= 1.5


def test_bt2020_weights():
    """Rec. ITU-R BT.2020-2 table 4: Y = 0.2627 R + 0.6780 G + 0.0593 B."""
    backward = np.linalg.inv(rgb_from_ycc("bt2020", True)[:, :3])
    np.testing.assert_allclose(backward[0], [0.2627, 0.6780, 0.0593], atol=1e-12)


@pytest.mark.parametrize("matrix", ["bt601", "bt709", "bt2020"])
@pytest.mark.parametrize("full_range", [False, True])
@pytest.mark.parametrize("size", [(18, 10), (17, 11)])
def test_there_and_back(info, matrix, full_range, size):
    """Flat patches of 2 x 2 survive; each way rounds, which chroma gains multiply."""
    width, height = size
    rng = np.random.default_rng(4)
    small = rng.integers(0, 256, ((height + 1) // 2, (width + 1) // 2, 3))
    small[:] = small[:1, :1]  # one colour, so that the smooth enlargement of chroma changes nothing
    rgb = np.repeat(np.repeat(small, 2, 0), 2, 1)[:height, :width].astype(np.uint8)
    planes = planes_from_rgb(rgb, matrix, full_range)
    clip = replace(info, colour_matrix=matrix, full_range=full_range)
    back = to_rgb(Frame(0, 0.0, *planes), clip)
    assert back.shape == rgb.shape
    assert np.abs(back.astype(int) - rgb).max() <= 3


def test_orange_through_a_file(tmp_path):
    """Written, tagged, read and shown: BT.709 all the way."""
    path = tmp_path / "orange.mp4"
    with VideoWriter(path, (64, 48)) as writer:
        writer.write(np.tile(np.array([255, 128, 0], np.uint8), (48, 64, 1)), 0.0)
    info = probe(path)
    assert (info.colour_matrix, info.full_range) == ("bt709", False)
    (frame,) = FrameReader(info)
    assert np.abs(to_rgb(frame, info).astype(int) - [255, 128, 0]).max() <= 4


def test_bad_input():
    with pytest.raises(BadInput, match="colour matrix must be one of bt601, bt709, bt2020, got"):
        rgb_from_ycc("bt470", False)
    with pytest.raises(
        BadInput, match=r"a picture must be \(h, w, 3\) uint8, got \(4, 6\) float64"
    ):
        planes_from_rgb(np.zeros((4, 6)))  # type: ignore[arg-type]
