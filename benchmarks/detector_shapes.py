"""Which shape of network? Several shapes and a general-purpose detector, trained alike, measured
on made halls that none of them saw.

    python benchmarks/detector_shapes.py shape three4 --made FOLDER --limit-s 240 --out FOLDER
    python benchmarks/detector_shapes.py rival --made FOLDER --limit-s 240 --out FOLDER
    python benchmarks/detector_shapes.py rate --out FOLDER        frames/s where a GPU is

The rival is torchvision's Faster R-CNN on MobileNet V3, from fresh weights, on the last frame of
each crop in colour, enlarged twice; torchvision is needed for it only.
"""

import argparse
import json
import time
from dataclasses import asdict
from pathlib import Path

import numpy as np
import torch

from halfvolley.ball import maps as ball_maps
from halfvolley.learn.augment import varied
from halfvolley.learn.example_store import ExampleStore, last_frames
from halfvolley.learn.judge import calibration, measure
from halfvolley.learn.loop import pick_device, train
from halfvolley.learn.made import BALL, MadeSettings, held_out_halls
from halfvolley.learn.measured import calibrate, goodness, hold_against
from halfvolley.learn.run import TrainSettings, as_json
from halfvolley.learn.shapes import SHAPES, BallNet, count_weights
from halfvolley.learn.training import Feeder
from halfvolley.learn.weights import new_net, save_weights

HALLS = 300  # that each learns from
HELD_OUT, EACH = 60, 50


def prepare(args: argparse.Namespace):
    made = MadeSettings(seed=args.seed, halls=args.halls)
    device = pick_device()
    store = ExampleStore(device)
    feeder = Feeder(made, args.made, store, HALLS)
    feeder.wait_for(args.start_with)
    return made, device, store, feeder


def try_shape(args: argparse.Namespace) -> dict:
    made, device, store, feeder = prepare(args)
    net = new_net(args.name, args.seed, device)
    settings = TrainSettings(shape=args.name, seed=args.seed, limit_s=args.limit_s, steps=10**6)
    held_out = held_out_halls(made, args.made, 10, 40)
    for point in train(net, store, {"made": held_out}, settings, feed=feeder):
        print(args.name, as_json(point), flush=True)
    save_weights(net, args.out / f"{args.name}.npz")
    held_out = held_out_halls(made, args.made, HELD_OUT, EACH)
    scale = calibration(net, held_out, device)
    return {
        "name": args.name, "weights": count_weights(net), "steps": point.step,
        "took_s": point.took_s, "crops": len(store), "held_out": len(held_out),
        "whole": asdict(measure(net, held_out, device, scale=scale)),
        "half": asdict(measure(net, held_out, device, half=True, scale=scale)),
    }  # fmt: skip


def colours(luma: torch.Tensor, chroma: torch.Tensor) -> torch.Tensor:
    """(n, 3, 2h, 2w) red, green, blue of the last frame, 0-1 (BT.709, limited range)."""
    c = torch.nn.functional.interpolate(chroma[:, -2:], scale_factor=2.0) - 128.0
    y = (luma[:, -1] - 16.0) * 1.164
    r = y + 1.793 * c[:, 1]
    g = y - 0.213 * c[:, 0] - 0.533 * c[:, 1]
    b = y + 2.112 * c[:, 0]
    rgb = torch.stack([r, g, b], dim=1).clamp(0, 255) / 255.0
    return torch.nn.functional.interpolate(rgb, scale_factor=2.0, mode="bilinear")


def try_rival(args: argparse.Namespace) -> dict:
    from torchvision.models.detection import fasterrcnn_mobilenet_v3_large_fpn

    made, device, store, feeder = prepare(args)
    torch.random.default_generator.manual_seed(args.seed)
    net = fasterrcnn_mobilenet_v3_large_fpn(
        weights=None, weights_backbone=None, num_classes=2, min_size=256, max_size=256,
        box_score_thresh=0.01,
    ).to(device)  # fmt: skip
    optimiser = torch.optim.AdamW(net.parameters(), lr=1e-3, weight_decay=1e-2)
    chance = torch.Generator().manual_seed(args.seed)
    on_device = torch.Generator(device=device).manual_seed(args.seed)
    started, step = time.monotonic(), 0
    while (took := time.monotonic() - started) < args.limit_s:
        step += 1
        for group in optimiser.param_groups:
            share = took / args.limit_s
            group["lr"] = 1e-3 * min(share / 0.05, 0.01 + 0.5 * (1 + np.cos(np.pi * share)))
        batch = varied(last_frames(store.take(store.draw(96, 96, chance), 96), 1), on_device)
        targets = []
        for kind, ball in zip(batch.kind.tolist(), batch.ball.tolist(), strict=True):
            if kind == BALL:
                u, v, r, su, sv = ball
                w, h = r + 0.5 * abs(su), r + 0.5 * abs(sv)
                box = torch.tensor([[u - w, v - h, u + w, v + h]], device=device) * 2.0 + 0.5
                label = torch.ones(1, dtype=torch.int64, device=device)
            else:
                box = torch.zeros((0, 4), device=device)
                label = torch.zeros(0, dtype=torch.int64, device=device)
            targets.append({"boxes": box, "labels": label})
        net.train()
        losses = net(list(colours(batch.luma, batch.chroma)), targets)
        loss = sum(losses.values())
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        optimiser.step()
        if step % 50 == 0:
            feeder()
        if step % 300 == 0:
            print("rival", step, round(took, 1), float(loss), flush=True)
    held_out = held_out_halls(made, args.made, HELD_OUT, EACH)
    net.eval()
    found = []
    for k in range(0, len(held_out), 64):
        luma = torch.from_numpy(held_out.luma[k : k + 64]).to(device).float()
        chroma = torch.from_numpy(held_out.chroma[k : k + 64]).to(device).float()
        with torch.no_grad():
            for out in net(list(colours(luma, chroma))):
                boxes, score = out["boxes"].cpu().numpy(), out["scores"].cpu().numpy()
                rows = np.zeros((len(boxes), ball_maps.COLUMNS))
                rows[:, :2] = ((boxes[:, :2] + boxes[:, 2:]) / 2 - 0.5) / 2
                rows[:, ball_maps.SCORE] = score
                rows[:, ball_maps.SD] = 1.0
                rows[:, ball_maps.RADIUS] = np.min(boxes[:, 2:] - boxes[:, :2], axis=1) / 4
                found.append(ball_maps.apart(rows[:8]))
    slope, shift = calibrate(hold_against(found, held_out.kind, held_out.ball, held_out.others_px))
    for rows in found:
        p = np.clip(rows[:, ball_maps.SCORE], 1e-6, 1 - 1e-6)
        logit = slope * np.log(p / (1 - p)) + shift
        rows[:, ball_maps.SCORE] = 1 / (1 + np.exp(-logit))
    return {
        "name": "rival", "weights": count_weights(net), "steps": step, "took_s": took,
        "crops": len(store), "held_out": len(held_out),
        "whole": asdict(goodness(found, held_out.kind, held_out.ball, held_out.others_px)),
    }  # fmt: skip


def rate(args: argparse.Namespace) -> dict:
    """Full 1080p frames in batches: copied, halved, searched; against the copy alone."""
    device = pick_device()
    net = BallNet(SHAPES[args.name]).to(device).eval().to(memory_format=torch.channels_last)
    net = net.half()
    n = 32  # frames a batch; neighbours share frames, so n + frames - 1 are copied
    f = net.shape.frames
    luma = torch.randint(0, 255, (n, 1080, 1920), dtype=torch.uint8).pin_memory()
    chroma = torch.randint(0, 255, (n, 2, 540, 960), dtype=torch.uint8).pin_memory()

    def search(y: torch.Tensor, c: torch.Tensor) -> torch.Tensor:
        y = torch.nn.functional.avg_pool2d(y.half()[:, None], 2)[:, 0]
        c = torch.nn.functional.avg_pool2d(c.half(), 2)
        y = torch.nn.functional.pad(y, (0, 0, 0, 4))
        c = torch.nn.functional.pad(c, (0, 0, 0, 2))
        at = [(torch.arange(n, device=device) - k).clamp(min=0) for k in range(f)][::-1]
        ys = torch.stack([y[i] for i in at], dim=1)
        cs = torch.cat([c[i] for i in at], dim=1)
        with torch.no_grad():
            out = net(ys, cs)
        return torch.topk(out[:, 0].flatten(1), 8).indices

    def timed(work) -> float:
        for _ in range(5):
            work()
        torch.cuda.synchronize()
        times = []
        for _ in range(20):
            t = time.perf_counter()
            work()
            torch.cuda.synchronize()
            times.append(time.perf_counter() - t)
        return n / float(np.median(times))

    def copy() -> tuple[torch.Tensor, torch.Tensor]:
        return luma.to(device, non_blocking=True), chroma.to(device, non_blocking=True)

    y, c = copy()
    return {
        "name": "rate", "shape": args.name, "card": torch.cuda.get_device_name(), "batch": n,
        "copy_fps": timed(copy), "search_fps": timed(lambda: search(y, c)),
        "both_fps": timed(lambda: search(*copy())),
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["shape", "rival", "rate"])
    parser.add_argument("name", nargs="?", default="three4", choices=sorted(SHAPES))
    parser.add_argument("--made", type=Path, help="folder of made halls")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--halls", type=int, default=MadeSettings().halls)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--limit-s", type=float, default=240.0)
    parser.add_argument("--start-with", type=int, default=60)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    result = {"shape": try_shape, "rival": try_rival, "rate": rate}[args.what](args)
    (args.out / f"{result['name']}.json").write_text(json.dumps(result, indent=1))
    print(json.dumps(result))


if __name__ == "__main__":
    main()
