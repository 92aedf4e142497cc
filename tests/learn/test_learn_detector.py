"""Training of the detector: labels, aims, loss, figures, files; on examples of seconds."""

from dataclasses import replace

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from halfvolley.ball import maps  # noqa: E402
from halfvolley.ball.network import load_detector  # noqa: E402
from halfvolley.errors import BadInput  # noqa: E402
from halfvolley.learn import measured  # noqa: E402
from halfvolley.learn.aims import heat_and_weight, loss_of  # noqa: E402
from halfvolley.learn.augment import Batch, closer, halved, varied  # noqa: E402
from halfvolley.learn.example_store import ExampleStore  # noqa: E402
from halfvolley.learn.export import export_onnx  # noqa: E402
from halfvolley.learn.loop import train  # noqa: E402
from halfvolley.learn.made import BALL, IGNORED, NONE, Examples, label_crop, load, save  # noqa: E402
from halfvolley.learn.run import TrainSettings  # noqa: E402
from halfvolley.learn.shapes import SHAPES, BallNet, Shape, count_weights  # noqa: E402
from halfvolley.learn.weights import load_weights, new_net, save_weights  # noqa: E402
from halfvolley.simulate import Crop  # noqa: E402

H, W, F = 64, 96, 5
CPU = torch.device("cpu")
torch.set_num_threads(1)  # what is tiny is done before threads are awake


def painted(n, seed=0):
    """Bright discs that move on dark noise; every third picture without."""
    rng = np.random.default_rng(seed)
    v, u = np.mgrid[0:H, 0:W]
    luma = rng.normal(70, 3, (n, F, H, W))
    kind, ball = np.full(n, float(BALL)), np.full((n, 5), np.nan)
    for i in range(n):
        if i % 3 == 2:
            kind[i] = NONE
            continue
        at, way = rng.uniform(16, 32, 2), rng.uniform(-3, 3, 2)
        for k in range(F):
            x, y = at - (F - 1 - k) * way
            luma[i, k] += 130 * np.clip(5.0 - np.hypot(u - x, v - y), 0, 1)
        ball[i] = *at, 4.5, 0.3 * way[0], 0.3 * way[1]
    chroma = np.full((n, 2 * F, H // 2, W // 2), 128, np.uint8)
    return Examples(
        luma.clip(0, 255).astype(np.uint8), chroma, kind, ball, np.full((n, 4, 2), np.nan)
    )


def as_batch(examples):
    return Batch(
        torch.from_numpy(examples.luma).float(), torch.from_numpy(examples.chroma).float(),
        torch.from_numpy(examples.kind).float(), torch.from_numpy(examples.ball).float(),
        torch.from_numpy(examples.others_px).float(),
    )  # fmt: skip


def perfect(batch, stride):
    """Maps that say what is true."""
    h, w = H // stride, W // stride
    heat, _ = heat_and_weight(batch, h, w, stride)
    out = torch.zeros(len(batch.kind), 7, h, w)
    out[:, 0] = torch.where(heat >= 1, 8.0, -8.0)
    out[:, 3] = -4.0
    for i, (u, v, r, su, sv) in enumerate(batch.ball.tolist()):
        if batch.kind[i] != BALL:
            continue
        out[i, 1] = (u + 0.5) / stride - 0.5 - torch.arange(w)[None]
        out[i, 2] = (v + 0.5) / stride - 0.5 - torch.arange(h)[:, None]
        turn = 2 * np.arctan2(sv, su)
        out[i, 4] = np.hypot(su, sv) / 10 * np.cos(turn)
        out[i, 5] = np.hypot(su, sv) / 10 * np.sin(turn)
        out[i, 6] = np.log(r / 5)
    return out


@pytest.mark.parametrize("stride", [2, 4])
def test_true_maps_cost_least_and_are_read_back(stride):
    examples = painted(6)
    batch = as_batch(examples)
    maps_of = perfect(batch, stride)
    least = loss_of(maps_of, batch, stride)[0]
    for channel in range(7):
        worse = maps_of.clone()
        worse[:, channel] += 0.4 if channel else 6.0
        assert loss_of(worse, batch, stride)[0] > least, channel
    for one, kind, ball in zip(maps_of.numpy(), examples.kind, examples.ball, strict=True):
        found = maps.peaks(one, stride, 0.05)
        assert len(found) == (kind == BALL)
        if len(found):
            assert np.hypot(*(found[0, :2] - ball[:2])) < 0.01
            assert found[0, maps.RADIUS] == pytest.approx(ball[2], rel=1e-4)


def test_what_counts_neither_way_costs_nothing():
    examples = painted(2)
    batch = as_batch(replace(examples, kind=np.full(2, float(IGNORED))))
    out = torch.full((2, 7, H // 4, W // 4), 0.0)
    out[:, 0] = -9.0
    quiet = loss_of(out, batch, 4)[0]
    for i, (u, v, *_) in enumerate(batch.ball.tolist()):
        out[i, 0, int(v) // 4, int(u) // 4] = 9.0
    assert loss_of(out, batch, 4)[0] == pytest.approx(float(quiet), abs=1e-4)
    out[0, 0, 0, W // 4 - 1] = 9.0  # far from the ball it does
    assert loss_of(out, batch, 4)[0] > quiet + 1.0


def test_half_the_size_keeps_places():
    """A disc's centre of brightness is where the halved label says."""
    small = halved(as_batch(painted(4)))
    for luma, kind, (u, v, r, *_) in zip(
        small.luma[:, -1].numpy(), small.kind, small.ball.tolist(), strict=True
    ):
        if kind != BALL:
            continue
        assert r == pytest.approx(2.25)
        bright = np.clip(luma - 100.0, 0, None)
        y, x = np.mgrid[0 : H // 2, 0 : W // 2]
        assert (bright * x).sum() / bright.sum() == pytest.approx(u, abs=0.1)
        assert (bright * y).sum() / bright.sum() == pytest.approx(v, abs=0.1)


def test_small_pieces_show_the_ball_where_they_say():
    """A disc's centre of brightness, and never at the rim."""
    batch = as_batch(painted(12))
    small = closer(batch, 32, torch.Generator().manual_seed(3))
    assert small.luma.shape[-2:] == (32, 32)
    assert small.chroma.shape[-2:] == (16, 16)
    seen = 0
    for luma, ball in zip(small.luma, small.ball, strict=True):
        if torch.isnan(ball[0]):
            continue
        weight = (luma[-1] - 110.0).clamp(min=0)
        at = torch.arange(32.0)
        u = float((weight.sum(0) * at).sum() / weight.sum())
        v = float((weight.sum(1) * at).sum() / weight.sum())
        assert abs(u - float(ball[0])) < 0.6
        assert abs(v - float(ball[1])) < 0.6
        assert 7.0 < u < 24.0
        assert 7.0 < v < 24.0
        seen += 1
    assert seen == 8


def test_variation_keeps_the_ball_under_its_label():
    examples = painted(12, seed=4)
    generator = torch.Generator().manual_seed(5)
    seen, checked = set(), 0
    for _ in range(6):
        batch = varied(as_batch(examples), generator)
        assert batch.luma.min() >= 0 and batch.luma.max() <= 255
        seen.add(float(batch.ball[0, 0]) == pytest.approx(examples.ball[0, 0], abs=1e-3))
        for luma, kind, (u, v, *_) in zip(
            batch.luma[:, -1], batch.kind.tolist(), batch.ball.tolist(), strict=True
        ):
            if kind == BALL:
                here = luma[int(v) - 1 : int(v) + 2, int(u) - 1 : int(u) + 2].mean()
                checked += 1
                assert here > luma.median()
    assert seen == {True, False}  # mirrored and not
    assert checked > 20


def crop(**said):
    uv = np.array([[10.0, 20.0], [14.0, 21.0], [18.0, 22.0]])
    plain = {
        "luma": np.zeros((3, H, W), np.uint8), "cb": np.zeros((3, H // 2, W // 2), np.uint8),
        "cr": np.zeros((3, H // 2, W // 2), np.uint8), "empty": None, "t_s": np.arange(3) / 60,
        "uv_px": uv, "streak_px": np.full((3, 2), 2.0), "radius_px": np.full(3, 5.0),
        "visible": np.ones(3), "contrast": np.full(3, 80.0), "inside": np.ones(3, bool),
        "other_uv_px": (np.zeros((0, 2)),) * 3, "aim": "ball", "white": True,
    }  # fmt: skip
    return Crop(**{**plain, **said})


def test_labels_follow_the_rule():
    assert label_crop(crop())[0] == BALL
    assert label_crop(crop(visible=np.array([1, 1, 0.3])))[0] == IGNORED
    assert label_crop(crop(contrast=np.array([80, 80, 6.0])))[0] == IGNORED
    assert label_crop(crop(uv_px=np.full((3, 2), 12.0)))[0] == IGNORED  # it lies still
    assert label_crop(crop(visible=np.zeros(3)))[0] == NONE
    assert label_crop(crop(inside=np.array([True, True, False])))[0] == NONE
    _, ball, others = label_crop(crop(other_uv_px=(np.zeros((0, 2)),) * 2 + (np.ones((1, 2)),)))
    assert ball.tolist() == [18, 22, 5, 2, 2]
    assert np.isfinite(others).all(axis=1).sum() == 1


@pytest.mark.parametrize("name", sorted(SHAPES))
def test_every_shape_runs_and_is_small(name):
    shape = SHAPES[name]
    net = BallNet(shape).eval()
    luma, chroma = (
        torch.zeros(2, shape.frames, H, W),
        torch.zeros(2, 2 * shape.frames, H // 2, W // 2),
    )
    assert net(luma, chroma).shape == (2, 7, H // shape.stride, W // shape.stride)
    assert count_weights(net) < 300_000


def test_a_shape_of_another_stride_is_refused():
    with pytest.raises(BadInput, match="stride"):
        Shape("odd", 3, 3)


def taught(seed, steps=25):
    store = ExampleStore(CPU)
    for part in range(3):
        store.add(painted(24, seed=part))
    net = new_net("one4", seed, CPU)
    settings = TrainSettings(shape="one4", seed=seed, steps=steps, batch=16, measure_every=steps)
    points = list(train(net, store, {"made": painted(30, seed=9)}, settings))
    return net, points


def test_training_learns_and_is_the_same_for_the_same_seed(tmp_path):
    net, points = taught(3)
    again, _ = taught(3)
    other, _ = taught(4, steps=2)
    weights = net.head.weight
    assert torch.allclose(weights, again.head.weight, atol=1e-5)
    assert not torch.allclose(weights, other.head.weight, atol=1e-3)
    assert points[-1].goodness["made"].average_precision > 0.6
    assert points[-1].goodness["made"].n_balls == 20
    save_weights(net, tmp_path / "w.npz")
    back = load_weights(tmp_path / "w.npz")
    assert torch.equal(back.head.weight, weights)
    path = tmp_path / "net.onnx"
    export_onnx(back, (2.0, 0.5), path)
    loaded = load_detector(path)
    rng = np.random.default_rng(0)
    for h, w in ((48, 64), (32, 96)):  # ONNX Runtime against PyTorch
        luma = rng.integers(0, 255, (2, 1, h, w), dtype=np.uint8)
        chroma = rng.integers(0, 255, (2, 2, h // 2, w // 2), dtype=np.uint8)
        with torch.no_grad():
            want = back.eval()(
                torch.from_numpy(luma).float(), torch.from_numpy(chroma).float()
            ).numpy()
        want[:, 0] = 2.0 * want[:, 0] + 0.5
        assert np.abs(loaded.maps(luma, chroma) - want).max() < 2e-4


def test_examples_that_cannot_be_halved_are_refused():
    examples = painted(2)
    odd = replace(examples, luma=examples.luma[..., :48, :])
    with pytest.raises(BadInput, match="multiples of 32 px, got 96 x 48"):
        ExampleStore(CPU).add(odd)


def test_weights_of_another_kind_are_refused(tmp_path):
    path = tmp_path / "w.npz"
    path.write_bytes(b"PK nothing")
    with pytest.raises(BadInput, match="no weights of a detector"):
        load_weights(path)
    with pytest.raises(BadInput, match="no shape 'huge'"):
        new_net("huge", 1, CPU)
    with pytest.raises(BadInput, match="no examples"):
        next(
            train(
                new_net("one4", 1, CPU), ExampleStore(CPU), {"made": painted(3)},
                TrainSettings(),
            )
        )  # fmt: skip


def test_examples_survive_their_file(tmp_path):
    examples = painted(4)
    save(examples, tmp_path / "hall_00000.npz")
    back = load(tmp_path / "hall_00000.npz")
    assert np.array_equal(back.luma, examples.luma)
    assert np.array_equal(back.ball, examples.ball, equal_nan=True)
    (tmp_path / "hall_00001.npz").write_bytes(b"cut")
    with pytest.raises(BadInput, match="holds no examples"):
        load(tmp_path / "hall_00001.npz")


def found(score, right, balls):
    n = len(score)
    return measured.Found(
        np.array(score), np.array(right, bool), np.zeros(n), np.ones(n), np.ones(n), np.ones(n),
        balls, 10,
    )  # fmt: skip


def test_average_precision_by_hand():
    # precision 1, 1, 2/3, 3/4 at recalls 1/4, 2/4, 2/4, 3/4: 0.5 x 1 + 0.25 x 3/4
    f = found([0.9, 0.8, 0.7, 0.6], [1, 1, 0, 1], 4)
    assert measured.average_precision(f) == pytest.approx(0.6875)
    assert measured.average_precision(found([], [], 4)) == 0.0


def test_scores_become_shares_of_balls():
    rng = np.random.default_rng(1)
    p = rng.uniform(0.02, 0.98, 4000)
    right = rng.random(4000) < p
    twisted = 1 / (1 + np.exp(-(0.4 * np.log(p / (1 - p)) - 1.0)))
    assert measured.calibration_error(found(twisted, right, 10)) > 0.1
    slope, shift = measured.calibrate(found(twisted, right, 10))
    assert (slope, shift) == pytest.approx((2.5, 2.5), rel=0.1)
    x = np.log(twisted / (1 - twisted))
    mended = 1 / (1 + np.exp(-(slope * x + shift)))
    assert measured.calibration_error(found(mended, right, 10)) < 0.03
