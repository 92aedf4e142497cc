"""Teaching a detector further: where it starts, what it is shown, and that nothing is lost."""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch")
pytest.importorskip("onnx")

from halfvolley.ball.network import load_detector  # noqa: E402
from halfvolley.constants import SHIPPED_NETWORK  # noqa: E402
from halfvolley.errors import BadInput, StorageError  # noqa: E402
from halfvolley.learn import finetune, loop, run  # noqa: E402
from halfvolley.learn.example_store import ExampleStore  # noqa: E402
from halfvolley.learn.export import export_onnx  # noqa: E402
from halfvolley.learn.footage import CutSettings, cut_examples, frames_for, thinned  # noqa: E402
from halfvolley.learn.made import BALL, NONE, Examples, save  # noqa: E402
from halfvolley.learn.run import TrainSettings  # noqa: E402
from halfvolley.learn.shapes import BallNet, Shape  # noqa: E402
from halfvolley.learn.weights import new_net, weights_of  # noqa: E402
from halfvolley.types import Frame  # noqa: E402

CPU = torch.device("cpu")
torch.set_num_threads(1)  # what is tiny is done before threads are awake
SIDE, DEPTH = 64, 5


def painted(n, seed=0):
    """Bright discs that move on dark noise; every third picture without."""
    rng = np.random.default_rng(seed)
    v, u = np.mgrid[0:SIDE, 0:SIDE]
    luma = rng.normal(70, 3, (n, DEPTH, SIDE, SIDE))
    kind, ball = np.full(n, float(BALL)), np.full((n, 5), np.nan)
    for i in range(n):
        if i % 3 == 2:
            kind[i] = NONE
            continue
        at, way = rng.uniform(16, 48, 2), rng.uniform(-3, 3, 2)
        for k in range(DEPTH):
            x, y = at - (DEPTH - 1 - k) * way
            luma[i, k] += 130 * np.clip(5.0 - np.hypot(u - x, v - y), 0, 1)
        ball[i] = *at, 4.5, 0.3 * way[0], 0.3 * way[1]
    chroma = np.full((n, 2 * DEPTH, SIDE // 2, SIDE // 2), 128, np.uint8)
    return Examples(
        luma.clip(0, 255).astype(np.uint8), chroma, kind, ball, np.full((n, 4, 2), np.nan)
    )


# --- where it starts -----------------------------------------------------------------------------
@pytest.mark.parametrize("size", [(64, 96), (128, 48)])
def test_the_shipped_file_is_taken_over_as_it_is(size):
    """PyTorch on the weights of the file against ONNX Runtime on the file."""
    net, scale, detector = weights_of(SHIPPED_NETWORK)
    h, w = size
    rng = np.random.default_rng(4)
    luma = rng.integers(0, 256, (2, 5, h, w), dtype=np.uint8)
    chroma = rng.integers(0, 256, (2, 10, h // 2, w // 2), dtype=np.uint8)
    with torch.no_grad():
        maps = net(torch.from_numpy(luma).float(), torch.from_numpy(chroma).float()).numpy()
    maps[:, 0] = scale[0] * maps[:, 0] + scale[1]
    assert np.abs(maps - detector.maps(luma, chroma)).max() < 1e-3


def lively(net):
    """Norms that do something, as in a net that has learned."""
    for part in net.modules():
        if isinstance(part, torch.nn.BatchNorm2d):
            torch.nn.init.uniform_(part.running_mean, -0.3, 0.3)
            torch.nn.init.uniform_(part.running_var, 0.5, 2.0)
            torch.nn.init.uniform_(part.weight, 0.5, 1.5)
            torch.nn.init.uniform_(part.bias, -0.5, 0.5)
    return net


def test_out_and_in_again_says_the_same(tmp_path):
    net = lively(new_net("three2", 5, CPU))
    export_onnx(net, (2.0, -0.5), tmp_path / "a.onnx")
    back, scale, _ = weights_of(tmp_path / "a.onnx")
    assert scale == (2.0, -0.5)
    export_onnx(back, scale, tmp_path / "b.onnx")
    a, b = load_detector(tmp_path / "a.onnx"), load_detector(tmp_path / "b.onnx")
    rng = np.random.default_rng(0)
    luma = rng.integers(0, 256, (1, 3, 32, 64), dtype=np.uint8)
    chroma = rng.integers(0, 256, (1, 6, 16, 32), dtype=np.uint8)
    assert np.abs(a.maps(luma, chroma) - b.maps(luma, chroma)).max() < 1e-4


def test_foreign_weights_are_refused(tmp_path):
    from torch import nn

    cut = tmp_path / "cut.onnx"
    cut.write_bytes(SHIPPED_NETWORK.read_bytes()[:5000])
    with pytest.raises(BadInput, match="damaged or no ONNX file"):
        weights_of(cut)
    net = BallNet(Shape("own", 3, 4, (8, 8, 8, 8)))
    export_onnx(net, (1.0, 0.0), tmp_path / "own.onnx")
    with pytest.raises(BadInput, match="'own' is not known"):
        weights_of(tmp_path / "own.onnx")
    three = lively(new_net("three4", 1, CPU))
    three.at8 = nn.Sequential(three.at8, nn.Conv2d(48, 48, 1))
    export_onnx(three, (1.0, 0.0), tmp_path / "more.onnx")
    with pytest.raises(BadInput, match="its layers are other ones"):
        weights_of(tmp_path / "more.onnx")
    three = lively(new_net("three4", 1, CPU))
    three.down8[2] = nn.LeakyReLU(0.5)  # the same weights, and another answer
    export_onnx(three, (1.0, 0.0), tmp_path / "other.onnx")
    with pytest.raises(BadInput, match="answer differently"):
        weights_of(tmp_path / "other.onnx")


# --- the loop ------------------------------------------------------------------------------------
SETTINGS = TrainSettings(shape="one4", seed=2, steps=8, batch=6, measure_every=3, keep_every_s=0.0)


def lesson():
    store = ExampleStore(CPU)
    for part in range(2):
        store.add(painted(12, seed=part))
    return store, {"own": painted(9, seed=7)}


def learned(keep=None, steps=8, **said):
    """Final weights and curve of a short training."""
    net = new_net("one4", 2, CPU)
    store, held_out = lesson()
    settings = replace(SETTINGS, steps=steps)
    points = list(loop.train(net, store, held_out, settings, keep=keep, **said))
    return net, points


class Killed(BaseException):
    """Nothing catches it, as nothing catches a kill."""


@pytest.mark.parametrize("at", ["step", "writing"])
def test_a_killed_training_goes_on_at_the_same_step(tmp_path, monkeypatch, at):
    whole, points = learned()
    keep = tmp_path / "checkpoint.npz"
    calls = []
    real_step, real_save = loop._step, np.savez

    def step(*args):
        calls.append("step")
        if at == "step" and calls.count("step") == 6:
            raise Killed
        real_step(*args)

    def savez(file, **arrays):
        calls.append("save")
        if at == "writing" and calls.count("save") == 5:
            file.write(b"PK half a file")
            raise Killed
        real_save(file, **arrays)

    with monkeypatch.context() as patch:
        patch.setattr(loop, "_step", step)
        patch.setattr(run.np, "savez", savez)
        with pytest.raises(Killed):
            learned(keep)
    assert keep.exists()
    steps = []
    with monkeypatch.context() as patch:
        patch.setattr(loop, "_step", lambda r, *args: (steps.append(r.step), real_step(r, *args)))
        net, again = learned(keep)
    assert steps[0] in (4, 5) and steps == list(range(steps[0], 8))
    assert [p.step for p in again] == [p.step for p in points] == [0, 3, 6, 8]
    assert [p.loss for p in again] == [p.loss for p in points]
    for name, value in whole.state_dict().items():
        assert torch.equal(value, net.state_dict()[name]), name


def test_a_damaged_checkpoint_is_said_and_training_begins_anew(tmp_path):
    keep = tmp_path / "checkpoint.npz"
    learned(keep)
    keep.write_bytes(keep.read_bytes()[:2000])
    said = []
    _, points = learned(keep, note=said.append)
    assert "checkpoint.npz is damaged" in said[0]
    assert points[-1].step == 8


def test_a_disk_that_is_full_is_a_sentence(tmp_path, monkeypatch):
    def full(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(run.os, "fsync", full)
    with pytest.raises(StorageError, match="free some space"):
        learned(tmp_path / "checkpoint.npz")


@pytest.mark.parametrize("error", [MemoryError(), RuntimeError("CUDA out of memory. Tried ...")])
def test_less_memory_means_a_smaller_batch_that_is_said(monkeypatch, error):
    sizes, real = [], ExampleStore.take

    def take(self, drawn, n):
        sizes.append(n)
        if n > 20:
            raise error
        return real(self, drawn, n)

    monkeypatch.setattr(ExampleStore, "take", take)
    net = new_net("one4", 2, CPU)
    store, held_out = lesson()
    said = []
    settings = replace(SETTINGS, batch=32, half_share=0.0, close_share=0.0)
    points = list(loop.train(net, store, held_out, settings, note=said.append))
    assert points[-1].step == 8
    assert said == ["memory did not suffice for 32 crops a step; went on with 16"]
    assert sizes == [32] + 8 * [16]
    monkeypatch.setattr(ExampleStore, "take", lambda *args: (_ for _ in ()).throw(MemoryError()))
    with pytest.raises(BadInput, match="not enough memory"):
        list(loop.train(net, store, held_out, settings))
    monkeypatch.setattr(
        ExampleStore, "take", lambda *args: (_ for _ in ()).throw(RuntimeError("a fault"))
    )
    with pytest.raises(RuntimeError, match="a fault"):
        list(loop.train(net, store, held_out, settings))


def test_what_was_hard_is_seen_more_often():
    """By the share of the loss that each example had when it was last seen."""
    store, _ = lesson()
    on_cpu, on_device = (torch.Generator().manual_seed(k) for k in (1, 2))
    drawn = [(0, torch.arange(12)), (1, torch.arange(12))]
    loss = torch.ones(24)
    loss[[3, 15]] = 50.0
    store.found_hard(drawn, loss)
    rows = torch.cat([r for _ in range(60) for _, r in store.draw(24, 2, on_cpu, 0.5, on_device)])
    share = float((rows == 3).float().mean())
    alike = torch.cat([r for _ in range(60) for _, r in store.draw(24, 2, on_cpu)])
    assert 0.25 < share < 0.6
    assert float((alike == 3).float().mean()) < 0.15
    assert set(rows.tolist()) == set(range(12)), "no example is forgotten"


def test_the_best_weights_win_and_patience_ends():
    net = new_net("one4", 2, CPU)
    store, held_out = lesson()
    settings = replace(SETTINGS, steps=60, rate=0.0, measure_every=2, patience=3)
    before = {name: value.clone() for name, value in net.state_dict().items()}
    points = list(loop.train(net, store, held_out, settings))
    # nothing is learned at a rate of 0, and norms that drift are no gain
    assert points[-1].step < 60
    best = max(points, key=lambda p: p.worth)
    if best.step == 0:
        assert torch.equal(net.head.weight, before["head.weight"])
        assert torch.equal(net.stem[0].running_mean, before["stem.0.running_mean"])


def test_frozen_norms_stay(tmp_path):
    net, _, _ = weights_of(SHIPPED_NETWORK)
    before = net.down4[1].running_mean.clone()
    store = ExampleStore(CPU)
    store.add(painted(12))
    settings = replace(SETTINGS, shape="five4", steps=2, frozen_norms=True)
    list(loop.train(net, store, {}, settings))
    assert torch.equal(net.down4[1].running_mean, before)


def test_fine_tuning_makes_a_file_that_runs(tmp_path):
    made, work = tmp_path / "made", tmp_path / "work"
    made.mkdir()
    work.mkdir()
    for number in range(3):
        save(painted(9, seed=number), made / f"hall_{number:05d}.npz")
    settings = finetune.TuneSettings(steps=4, batch=4, measure_every=2, made_halls=11, made_crops=9)
    done = finetune.fine_tune(
        SHIPPED_NETWORK, painted(12, seed=5), painted(9, seed=6), made, work, settings, CPU
    )
    assert [p.step for p in done.curve] == [0, 2, 4]
    assert set(done.curve[0].goodness) == {"own", "made"}
    assert load_detector(done.path).frames == 5
    assert done.device == "CPU" and done.steps_per_s > 0
    again = finetune.fine_tune(
        SHIPPED_NETWORK, painted(12, seed=5), painted(9, seed=6), made, tmp_path, settings, CPU
    )
    assert [p.loss for p in again.curve] == [p.loss for p in done.curve]


def test_scores_of_a_file_are_stretched_and_shifted(tmp_path):
    path = tmp_path / "new.onnx"
    path.write_bytes(SHIPPED_NETWORK.read_bytes())
    tuned = finetune.Tuned(path, "", "CPU", (), 1, 0.0, 0.0, ())
    examples = painted(2)
    before = load_detector(path).maps(examples.luma, examples.chroma)
    after_it = finetune.rescaled(tuned, 2.0, -1.5)
    after = load_detector(path).maps(examples.luma, examples.chroma)
    np.testing.assert_allclose(after[:, 0], 2.0 * before[:, 0] - 1.5, atol=1e-3)
    np.testing.assert_allclose(after[:, 1:], before[:, 1:], atol=1e-3)
    assert after_it.sha and after_it.sha != tuned.sha
    assert finetune.rescaled(after_it, -0.1, 0.0) is after_it  # good finds never become bad ones


def test_a_gpu_that_is_not_used_is_said(monkeypatch):
    assert finetune.device_notes(torch.device("cuda")) == ()
    monkeypatch.setattr(finetune, "gpu_is_here", lambda: True)
    assert "GPU is here" in finetune.device_notes(CPU)[0]
    monkeypatch.setattr(finetune, "gpu_is_here", lambda: False)
    assert finetune.device_notes(CPU) == ()


# --- what it is shown ----------------------------------------------------------------------------
H, W = 150, 202  # no multiples of anything


def film(n, at):
    """Frames of a bright disc that moves by `at(k)`; luma tells the frame's number in a corner."""
    y, x = np.mgrid[0:H, 0:W]
    for k in range(n):
        u, v = at(k)
        luma = np.full((H, W), 60.0)
        luma += 140 * np.clip(5.5 - np.hypot(x - u, y - v), 0, 1)
        luma[:4, :4] = k
        half = np.full(((H + 1) // 2, (W + 1) // 2), 128, np.uint8)
        yield Frame(k, k / 60, luma.clip(0, 255).astype(np.uint8), half, half)


def way(k):
    return 40.0 + 3.0 * k, 70.0


CUT = CutSettings(side_px=64, spread=0.3, elsewhere=0.0)


def test_examples_show_the_ball_under_its_label(make_label):
    labels = [make_label(k, uv_px=way(k), radius_px=5.0, streak_px=(1.5, 0.0)) for k in (2, 20, 30)]
    labels.append(make_label(30, kind="negative", uv_px=(180.0, 120.0), radius_px=4.0))
    assert frames_for(labels[:1], 5) == (0, 1, 2)
    rng = np.random.default_rng(0)
    out = cut_examples(labels, labels, film(40, way), CUT, rng, repeat=2)
    assert out.kind.tolist() == 4 * [BALL] + 2 * [BALL, NONE]
    balls = out.kind == BALL
    for luma, (u, v, r, su, sv) in zip(out.luma[balls, -1], out.ball[balls], strict=True):
        bright = np.clip(luma.astype(float) - 100.0, 0, None)
        y, x = np.mgrid[0:64, 0:64]
        assert (bright * x).sum() / bright.sum() == pytest.approx(u, abs=0.1)
        assert (bright * y).sum() / bright.sum() == pytest.approx(v, abs=0.1)
        assert (r, su, sv) == (5.0, 1.5, 0.0)
    # the frames before it in their order; the first one is repeated where the clip begins
    for i, frame in ((0, 2), (2, 20)):
        found = [float((one * (one > 100)).sum(axis=0).argmax()) for one in out.luma[i].astype(int)]
        moved = np.diff(found)
        assert (moved[-2:] > 1).all() and (moved >= 0).all()
        if frame == 2:
            assert moved[0] == moved[1] == 0


def test_what_no_label_speaks_of_is_left_open(make_label):
    ball = make_label(20, uv_px=way(20), radius_px=5.0)
    waits = make_label(20, uv_px=(way(20)[0] + 20, 85.0), radius_px=5.0, decision="open")
    other = np.array([[0, 0, 0.9, 1, 0, 0, 5.0]])

    def peaks(luma, chroma):
        assert luma.shape[1] == 5 and chroma.shape[1] == 10
        found = []
        for one in luma[:, -1].astype(float):
            v, u = np.unravel_index(int(one.argmax()), one.shape)
            rows = np.repeat(other, 2, axis=0)
            rows[0, :2], rows[1, :2] = (u, v), (60.0, 2.0)
            found.append(rows)
        return found

    still = replace(CUT, spread=0.0)
    rng = np.random.default_rng(0)
    out = cut_examples([ball], [ball, waits], film(30, way), still, rng, peaks=peaks)
    known = out.others_px[0][np.isfinite(out.others_px[0, :, 0])]
    assert len(known) == 2  # what waits, and what the detector sees far from the label
    assert known[0] == pytest.approx(out.ball[0, :2] + [20.0, 15.0])
    assert known[1].tolist() == [60.0, 2.0]


def test_pictures_without_a_ball_are_shown_where_something_moves(make_label):
    none = make_label(20, kind="none")
    out = cut_examples([none], [none], film(30, way), CUT, np.random.default_rng(0))
    assert 1 <= len(out) <= CUT.busy and not out.kind.any()
    assert out.luma[0, -1].max() > 150  # the disc moves most


def test_other_moving_places_show_that_the_ball_is_elsewhere(make_label):
    def other(frame):
        """The same with something else that moves, far from the ball."""
        frame.luma[20:30, 150 + frame.index : 160 + frame.index] = 20
        return frame

    cut = replace(CUT, elsewhere=1.0, spread=0.0, side_px=32)
    frames = [other(f) for f in film(25, lambda k: (40.0 + k, 70.0))]
    at = make_label(20, uv_px=(60.0, 70.0), radius_px=5.0)
    out = cut_examples([at], [at], frames, cut, np.random.default_rng(0))
    assert out.kind.tolist() == [BALL, NONE]
    assert out.luma[1, -1].max() < 150  # no ball in it
    waits = make_label(20, uv_px=(172.0, 25.0), radius_px=5.0, decision="open")
    for rng in range(4):
        out = cut_examples([at], [at, waits], frames, cut, np.random.default_rng(rng))
        assert len(out) == 1  # not near what waits for review


def test_many_labels_are_thinned_evenly(make_label):
    labels = [make_label(k) for k in range(100)]
    few = thinned(labels, 10)
    assert [label.frame for label in few] == np.linspace(0, 99, 10).round().astype(int).tolist()
    assert thinned(labels, 200) == tuple(labels)


def test_pictures_smaller_than_an_example(make_label):
    label = make_label(3, uv_px=(49.0, 70.0), radius_px=5.0)
    out = cut_examples(
        [label], [label], film(5, way), replace(CUT, side_px=256), np.random.default_rng(0)
    )
    assert out.luma.shape == (1, 5, 256, 256)
    assert out.ball[0, :2].tolist() == [49.0, 70.0]


def test_one_process_makes_what_another_made(tmp_path):
    """The checkpoint is a plain archive: it can be copied, and holds no code."""
    keep = tmp_path / "checkpoint.npz"
    learned(keep, steps=3)
    with np.load(keep, allow_pickle=False) as data:
        assert "said" in data.files
    shutil.copy(keep, tmp_path / "copy.npz")
    one = run.new_run(new_net("one4", 9, CPU), SETTINGS, CPU)
    assert run.restore_run(one, Path(tmp_path / "copy.npz"))
    assert one.step == 3


def test_a_part_of_twice_the_weight_is_drawn_from_twice_as_often():
    store = ExampleStore(CPU)
    store.add(painted(6, 1))
    store.add(painted(6, 2), weight=2.0)
    chance = torch.Generator().manual_seed(5)
    parts = [part for _ in range(400) for part, _ in store.draw(3, 3, chance)]
    # 1200 draws of chance 2/3: three standard deviations are 0.041
    assert abs(np.mean(parts) - 2.0 / 3.0) < 0.041
