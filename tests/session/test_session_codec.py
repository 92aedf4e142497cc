"""Nouns survive the way to the disk and back; nothing else is let in."""

import dataclasses
import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from halfvolley.errors import BadInput
from halfvolley.session.codec import ARRAYS, TREE, load_noun, save_noun
from halfvolley.session.recording import Recording
from halfvolley.types import ClipInfo, Detections, Flights, Shutter, Tracks


def same(one, two) -> bool:
    if type(one) is not type(two):
        return False
    if isinstance(one, np.ndarray):
        return one.dtype == two.dtype and np.array_equal(one, two, equal_nan=one.dtype.kind == "f")
    if dataclasses.is_dataclass(one):
        return all(
            same(getattr(one, f.name), getattr(two, f.name)) for f in dataclasses.fields(one)
        )
    if isinstance(one, tuple):
        return len(one) == len(two) and all(same(a, b) for a, b in zip(one, two, strict=True))
    return one == two or (one != one and two != two)


def detections(n: int, rng) -> Detections:
    return Detections(
        np.sort(rng.integers(0, 9, n)), rng.random(n), rng.random((n, 2)), rng.random((n, 2, 2)),
        rng.random(n), rng.random((n, 2)), rng.random(n), rng.integers(0, 3, n),
    )  # fmt: skip


@pytest.mark.parametrize("n", [0, 1, 7])
def test_tracks_with_nested_arrays(tmp_path, n):
    rng = np.random.default_rng(n)
    noun = Tracks(detections(n, rng), (np.arange(n), np.zeros(0, np.int64)))
    save_noun(noun, tmp_path)
    assert same(load_noun(Tracks, tmp_path), noun)


def test_a_difference_would_be_noticed(tmp_path):
    rng = np.random.default_rng(0)
    noun = Tracks(detections(3, rng), ())
    save_noun(noun, tmp_path)
    back = load_noun(Tracks, tmp_path)
    back.detections.uv_px[1, 0] = np.nextafter(back.detections.uv_px[1, 0], 9)
    assert not same(back, noun)


def test_text_paths_fractions_and_numbers_that_json_lacks(tmp_path):
    info = ClipInfo(
        Path("/a b/ü.mp4"), (1920, 1080), 90, "h264", "yuv420p", 8, "bt709", False,
        Fraction(1001, 30000), 29.97, np.array([0.0, np.nan, np.inf]), True, ("one", "twö"),
    )  # fmt: skip
    noun = Recording((info,), np.array([0.25]))
    save_noun(noun, tmp_path)
    assert same(load_noun(Recording, tmp_path), noun)
    shutter = Shutter(float("nan"), float("inf"), -float("inf"), -0.0, "given")
    noun = Flights((), (), Detections.empty(), shutter, ())
    save_noun(noun, tmp_path)
    back = load_noun(Flights, tmp_path)
    assert same(back, noun)
    assert np.signbit(back.shutter.exposure_sd_s)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40)
@given(
    hnp.arrays(
        st.sampled_from([np.float64, np.float32, np.uint8, np.int64, np.bool_]),
        hnp.array_shapes(min_dims=0, max_dims=3, min_side=0, max_side=4),
    )
)
def test_any_array(tmp_path, array):
    noun = Recording((), array)
    save_noun(noun, tmp_path)
    assert same(load_noun(Recording, tmp_path), noun)


def test_arrays_read_back_can_be_written_to(tmp_path):
    save_noun(Tracks(detections(3, np.random.default_rng(0)), ()), tmp_path)
    load_noun(Tracks, tmp_path).detections.uv_px[0] = 1.0


@pytest.mark.parametrize("value", [{1: 2}, {1, 2}, object(), np.array(["a"]), np.array([None])])
def test_what_has_no_place_on_disk_is_refused(tmp_path, value):
    with pytest.raises(BadInput, match="no place on disk"):
        save_noun(Recording((), value), tmp_path)


def test_another_noun_is_refused(tmp_path):
    save_noun(Recording((), np.zeros(1)), tmp_path)
    with pytest.raises(BadInput, match="expected Tracks"):
        load_noun(Tracks, tmp_path)


@pytest.mark.parametrize("name", [TREE, ARRAYS])
@pytest.mark.parametrize("damage", ["missing", "half", "rubbish"])
def test_damage_is_one_plain_error(tmp_path, name, damage):
    save_noun(Tracks(detections(5, np.random.default_rng(0)), ()), tmp_path)
    path = tmp_path / name
    content = path.read_bytes()
    if damage == "missing":
        path.unlink()
    else:
        path.write_bytes(content[: len(content) // 2] if damage == "half" else b"rubbish")
    with pytest.raises(BadInput, match="measure again"):
        load_noun(Tracks, tmp_path)


@pytest.mark.parametrize(
    "kind", ["os:system", "subprocess:Popen", "halfvolley.session.codec:load_noun",
             "halfvolley.errors:BadInput", "halfvolley_evil:Thing"],
)  # fmt: skip
def test_a_file_cannot_name_code(tmp_path, kind):
    save_noun(Recording((), np.zeros(1)), tmp_path)
    tree = {"noun": kind, "fields": {}}
    (tmp_path / TREE).write_text(json.dumps(tree))
    with pytest.raises(BadInput):
        load_noun(object, tmp_path)
