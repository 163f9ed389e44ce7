#!/usr/bin/env python3
"""Trains the network that tells a femur's shaft from whatever else the locating
network took for one (detect/recognise.onnx). Samples: `trainsamples --kind bone`;
see train.py.

    python3 train_recognise.py --samples ./trainsamples --locate ../locate.onnx --out recognise.onnx --minutes 7

The locating network runs over every sample, so that its own mistakes are what is
learnt. Planes of the input, each of the film's size: the film as locate.onnx sees
it; the probability of shaft that locate.onnx gives; ln(mm a pixel over USUAL), 0
where no scale is known; 1 where a scale is known. Output, at an eighth of the
size: the logit that what looks like a shaft there is a femur's.
"""
import argparse
import multiprocessing as mp
import queue
import threading
import time

import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

import train
from train import HALF, SIZE, block, load, prepare, reader, targets

RECORD = np.dtype(train.RECORD.descr + [("pitch", "<f4"), ("kind", "<u4")])
WIDTHS = [16, 32, 64, 96, 128]
CELL = 8        # pixels of the film in one of the output
USUAL = 1.4     # mm a pixel
UNSCALED = 0.15  # share of samples shown without a scale
MAGNIFIED = 1.3  # up to which a header's scale may be smaller than the detector's


class Recognise(nn.Module):
    def __init__(self):
        super().__init__()
        w = WIDTHS
        self.stem = nn.Sequential(nn.Conv2d(4, w[0], 5, 2, 2, bias=False), nn.BatchNorm2d(w[0]), nn.ReLU(inplace=True))
        self.down = nn.ModuleList([nn.Sequential(block(w[i], w[i + 1], 2), block(w[i + 1], w[i + 1])) for i in range(4)])
        self.deep = nn.Sequential(block(w[4], w[4]), block(w[4], w[4]), block(w[4], w[4]))
        self.narrow = nn.ModuleList([nn.Conv2d(w[4], w[3], 1), nn.Conv2d(w[3], w[2], 1)])
        self.up = nn.ModuleList([block(w[3], w[3]), block(w[2], w[2])])
        self.head = nn.Conv2d(w[2], 1, 1)

    def forward(self, x):
        x = self.stem(x)          # 128
        skips = []
        for d in self.down:       # 64, 32, 16, 8
            x = d(x)
            skips.append(x)
        x = self.deep(x)
        for i in range(2):        # 16, 32
            x = F.interpolate(self.narrow[i](x), scale_factor=2, mode="nearest")
            x = self.up[i](x + skips[2 - i])
        return self.head(x)


def inputs(locate, t, g, rng):
    """The network's input of a batch, the weight of each place of the output, and what is true there."""
    x, y = prepare(t, g, rng)
    b, dev = x.shape[0], x.device
    r = lambda *s: torch.rand(*s, generator=g, device=dev)
    with torch.no_grad():
        shaft = locate(x)[:, 0].float()
    # Sure of more or of less than it is, so that its rarer mistakes are learnt too.
    p = torch.sigmoid(shaft + 3.5 * r(b, 1, 1) - 1)[:, None]
    pitch = torch.log(t["pitch"] / (1 + (MAGNIFIED - 1) * r(b)) * torch.exp(0.06 * (r(b) - 0.5)) / USUAL)
    known = (r(b) > UNSCALED).float()
    plane = lambda v: v[:, None, None, None].expand(b, 1, SIZE, SIZE)
    film = torch.cat([x, F.interpolate(p, scale_factor=2, mode="nearest"), plane(pitch * known), plane(known)], 1)
    k = CELL // 2
    weight = F.avg_pool2d((p > 0.5).float(), k)[:, 0]
    weight = torch.where(weight >= 0.2, weight, torch.zeros_like(weight))
    femur = F.avg_pool2d(y["femur"][:, None], k)[:, 0]
    near = F.max_pool2d(F.max_pool2d(y["femur"][:, None], k), 3, 1, 1)[:, 0]
    true = (femur > 0.5).float()
    weight = weight * ((femur > 0.5) | (near == 0)).float()  # at the bone's border neither
    return film, weight, true


def loss_of(o, weight, true):
    """Every shaft of a film counts alike, however large."""
    e = F.binary_cross_entropy_with_logits(o, true, reduction="none")
    total, n = 0.0, 0.0
    for part in (true, 1 - true):
        w = weight * part
        s = w.sum((1, 2))
        on = (s > 1).float()
        total = total + ((e * w).sum((1, 2)) / s.clamp(min=1e-3) * on).sum()
        n = n + on.sum()
    return total / (n + 1)


def unpack(r, dev):
    t = targets(r, dev)
    t["pitch"] = torch.from_numpy(np.ascontiguousarray(r["pitch"])).to(dev)
    t["kind"] = torch.from_numpy(r["kind"].astype(np.int64)).to(dev)
    return t


def judge(net, locate, held, dev):
    """Prints, by kind of picture, the logits of what was taken for a shaft."""
    g, rng = torch.Generator(device=dev).manual_seed(5), np.random.default_rng(5)
    net.eval()
    by = {}
    with torch.no_grad():
        for r in held:
            t = unpack(r, dev)
            film, weight, true = inputs(locate, t, g, rng)
            o = net(film)[:, 0].float()
            for part, name in ((true, "femur"), (1 - true, "other")):
                w = weight * part
                s = w.sum((1, 2))
                mean = (o * w).sum((1, 2)) / s.clamp(min=1e-3)
                for i in range(len(s)):
                    if s[i] > 1.5:
                        kind = int(t["kind"][i])
                        by.setdefault(name if name == "femur" or kind == 0 else f"kind {kind:2d}", []).append(float(mean[i]))
    net.train()
    femur = np.sort(by.pop("femur"))
    cut = np.quantile(femur, [0.005, 0.01, 0.02, 0.05])
    print("held out: femurs", len(femur), "logit at 0.5, 1, 2, 5 %:", np.round(cut, 2), flush=True)
    every = np.concatenate([np.array(v) for v in by.values()])
    print("  others", len(every), "above these:", [int((every > c).sum()) for c in cut], "above 0, 2, 4:", [int((every > c).sum()) for c in (0, 2, 4)],
          "femurs below:", [int((femur < c).sum()) for c in (0, 2, 4)])
    for k in sorted(by):
        v = np.array(by[k])
        print(f"  {k}: {len(v)}, above {np.round(cut, 1)}: {[int((v > c).sum()) for c in cut]}, highest {v.max():.1f}")


def main():
    a = argparse.ArgumentParser()
    a.add_argument("--samples", required=True)
    a.add_argument("--locate", required=True)
    a.add_argument("--out", default="recognise.onnx")
    a.add_argument("--minutes", type=float, default=7)
    a.add_argument("--meshes", default="", help="folder with femur surfaces for trainsamples")
    a.add_argument("--workers", type=int, default=mp.cpu_count())
    a.add_argument("--pool", type=int, default=150000)
    a.add_argument("--seed", type=int, default=1)
    a = a.parse_args()
    dev = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(a.seed)
    rng = np.random.default_rng(a.seed)
    g = torch.Generator(device=dev).manual_seed(a.seed)
    locate = load(a.locate).to(dev).eval()
    for v in locate.parameters():
        v.requires_grad_(False)

    q = queue.Queue(maxsize=400)
    for i in range(a.workers):
        threading.Thread(target=reader, args=(a.samples, a.seed * 1000 + i, q, "bone", RECORD, a.meshes), daemon=True).start()
    held = [q.get() for _ in range(96)]  # never trained on
    pool = {k: torch.empty((a.pool, *v.shape[1:]), dtype=v.dtype, device=dev) for k, v in unpack(held[0], dev).items()}
    filled = at = drawn = step = 0
    net = Recognise().to(dev)
    opt = torch.optim.AdamW(net.parameters(), 2e-3, weight_decay=1e-3)
    now = [v for v in net.state_dict().values() if v.dtype.is_floating_point]
    mean = [v.clone() for v in now]
    start = time.time()
    while (spent := time.time() - start) < a.minutes * 60:
        take = 0
        while (not q.empty() and take < 16) or filled < 2000:
            r = unpack(q.get(), dev)
            take += 1
            n = r["image"].shape[0]
            at = 0 if at + n > a.pool else at
            for k, v in r.items():
                pool[k][at:at + n] = v
            at, drawn = at + n, drawn + n
            filled = max(filled, at)
        for p in opt.param_groups:
            p["lr"] = 2e-3 * min(1, (step + 1) / 200) * 0.5 * (1 + np.cos(np.pi * spent / (a.minutes * 60)))
        pick = torch.randint(0, filled, (128,), generator=g, device=dev)
        with torch.autocast(dev, torch.bfloat16, enabled=dev == "cuda"):
            film, weight, true = inputs(locate, {k: v[pick] for k, v in pool.items()}, g, rng)
            o = net(film)[:, 0]
        l = loss_of(o.float(), weight, true)
        opt.zero_grad()
        l.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 5)
        opt.step()
        with torch.no_grad():
            torch._foreach_lerp_(mean, now, 1 - min(0.999, (step + 1) / (step + 20)))
        step += 1
        if step % 200 == 0:
            print(f"{spent:5.0f} s step {step} pool {filled} drawn {drawn} loss {l.item():.4f}", flush=True)
    with torch.no_grad():
        for v, m in zip(now, mean):
            v.copy_(m)
    judge(net, locate, held, dev)
    net.eval().cpu()
    torch.onnx.export(net, torch.zeros(1, 4, SIZE, SIZE), a.out, opset_version=11, input_names=["film"], output_names=["femur"], dynamo=False)
    print("wrote", a.out, sum(p.numel() for p in net.parameters()), "parameters,", step, "steps")


if __name__ == "__main__":
    main()
