#!/usr/bin/env python3
"""Trains the network that finds the tip of the lesser trochanter on a
straightened patch (detect/trochanter.onnx). Samples: `trainsamples --kind
trochanter`; see train.py.

    python3 train_trochanter.py --samples ./trainsamples --out trochanter.onnx --minutes 4

Output at half the patch's size: the logits of where the tip lies, over all
places, and in the last row a constant plane: the logit that it is there at all.
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

from train import block, reader

ROWS, COLS = 96, 64
RECORD = np.dtype([("image", np.uint8, (ROWS, COLS)), ("label", "<f4", 3)])  # visible, x, y
WIDTHS = [24, 48, 80, 112]
SIGMA = 0.75  # of the target, pixels of the output


class Tip(nn.Module):
    def __init__(self):
        super().__init__()
        w = WIDTHS
        self.stem = nn.Sequential(nn.Conv2d(1, w[0], 5, 2, 2, bias=False), nn.BatchNorm2d(w[0]), nn.ReLU(inplace=True))
        self.down = nn.ModuleList([nn.Sequential(block(w[0], w[0]))] + [
            nn.Sequential(block(w[i], w[i + 1], 2), block(w[i + 1], w[i + 1])) for i in range(3)])
        self.narrow = nn.ModuleList([nn.Conv2d(w[i + 1], w[i], 1) for i in range(3)])
        self.up = nn.ModuleList([block(w[i], w[i]) for i in range(3)])
        self.place = nn.Conv2d(w[0], 1, 1)
        self.there = nn.Conv2d(w[3], 1, (ROWS // 16, COLS // 16))

    def forward(self, x):
        x = self.stem(x)
        skips = []
        for d in self.down:
            x = d(x)
            skips.append(x)
        there = self.there(x)
        for i in reversed(range(3)):
            x = F.interpolate(self.narrow[i](x), scale_factor=2, mode="nearest")
            x = self.up[i](x + skips[i])
        return torch.cat([self.place(x).flatten(1), there.flatten(1)], 1)


def prepare(t, g):
    """Stretches and disturbs a batch of patches."""
    x = t["image"].float()
    b, dev = x.shape[0], x.device
    r = lambda *s: torch.rand(*s, generator=g, device=dev)
    x = (x / 255) ** torch.exp((r(b, 1, 1) - 0.5) * 1.2)
    xx = torch.linspace(-1, 1, COLS, device=dev)[None, None]
    yy = torch.linspace(-1, 1, ROWS, device=dev)[None, :, None]
    x = x + (r(b, 1, 1) - 0.5) * 0.4 * xx + (r(b, 1, 1) - 0.5) * 0.4 * yy
    x = x + torch.randn(x.shape, generator=g, device=dev) * (r(b, 1, 1) ** 3) * 0.12
    soft = r(b, 1, 1) < 0.2
    x = torch.where(soft, F.avg_pool2d(x[:, None], 3, 1, 1)[:, 0], x)
    x = torch.where(r(b, 1, 1) < 0.2, x + 1.2 * (x - F.avg_pool2d(x[:, None], 9, 1, 4)[:, 0]), x)
    px, py = torch.arange(COLS, device=dev), torch.arange(ROWS, device=dev)
    for _ in range(2):
        on, w, h, l, u = r(b, 1, 1) < 0.15, 2 + 10 * r(b, 1, 1), 2 + 16 * r(b, 1, 1), COLS * r(b, 1, 1), ROWS * r(b, 1, 1)
        box = on & (px >= l) & (px < l + w) & (py[:, None] >= u) & (py[:, None] < u + h)
        x = torch.where(box, r(b, 1, 1) * 1.6 - 0.3, x)
    return stretch(x)[:, None]


def stretch(x):
    """As trochanter.go does: 1 % and 99 % of the patch to 0 and 1, ends kept to −0.5 … 1.5."""
    q = torch.quantile(x.flatten(1), torch.tensor([0.01, 0.99], device=x.device), dim=1)
    lo, hi = q[0][:, None, None], q[1][:, None, None]
    return ((x - lo) / (hi - lo).clamp(min=1e-6)).clamp(-0.5, 1.5)


def target(label):
    """The tip as a distribution over the places of the output."""
    dev = label.device
    cx, cy = (label[:, 1] - 0.5) / 2, (label[:, 2] - 0.5) / 2
    yy, xx = torch.meshgrid(torch.arange(ROWS // 2, device=dev).float(), torch.arange(COLS // 2, device=dev).float(), indexing="ij")
    h = torch.exp(-((xx[None] - cx[:, None, None]) ** 2 + (yy[None] - cy[:, None, None]) ** 2) / (2 * SIGMA ** 2)).flatten(1)
    return h / h.sum(1, keepdim=True).clamp(min=1e-6)


def read(o):
    """Mean level and its spread, pixels of the patch."""
    p = torch.softmax(o[:, :-1], 1).view(-1, ROWS // 2, COLS // 2).sum(2)
    y = torch.arange(ROWS // 2, device=o.device).float()
    m = (p * y).sum(1)
    return 2 * m + 0.5, 2 * torch.sqrt(((p * (y - m[:, None]) ** 2).sum(1)).clamp(min=1e-6))


def main():
    a = argparse.ArgumentParser()
    a.add_argument("--samples", required=True)
    a.add_argument("--out", default="trochanter.onnx")
    a.add_argument("--minutes", type=float, default=4)
    a.add_argument("--workers", type=int, default=mp.cpu_count())
    a.add_argument("--pool", type=int, default=200000)
    a.add_argument("--seed", type=int, default=1)
    a = a.parse_args()
    dev = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(a.seed)
    g = torch.Generator(device=dev).manual_seed(a.seed)
    q = queue.Queue(maxsize=400)
    for i in range(a.workers):
        threading.Thread(target=reader, args=(a.samples, a.seed * 1000 + i, q, "trochanter", RECORD), daemon=True).start()

    def load(r):
        t = {k: torch.from_numpy(np.ascontiguousarray(r[k])).to(dev) for k in ("image", "label")}
        flat = t["image"].flatten(1)
        dull = (flat.max(1).values.int() - flat.min(1).values.int()) < 16
        t["label"][dull, 0] = 0  # nobody could see it
        return t

    held = [load(q.get()) for _ in range(24)]
    pool = {k: torch.empty((a.pool, *v.shape[1:]), dtype=v.dtype, device=dev) for k, v in held[0].items()}
    filled = at = drawn = step = 0
    net = Tip().to(dev)
    opt = torch.optim.AdamW(net.parameters(), 2e-3, weight_decay=1e-3)
    now = [v for v in net.state_dict().values() if v.dtype.is_floating_point]
    mean = [v.clone() for v in now]
    start = time.time()
    while (spent := time.time() - start) < a.minutes * 60:
        take = 0
        while (not q.empty() and take < 16) or filled < 2000:
            r = load(q.get())
            take += 1
            n = r["image"].shape[0]
            at = 0 if at + n > a.pool else at
            for k, v in r.items():
                pool[k][at:at + n] = v
            at, drawn = at + n, drawn + n
            filled = max(filled, at)
        for p in opt.param_groups:
            p["lr"] = 2e-3 * min(1, (step + 1) / 200) * 0.5 * (1 + np.cos(np.pi * spent / (a.minutes * 60)))
        pick = torch.randint(0, filled, (256,), generator=g, device=dev)
        x, y = prepare({k: v[pick] for k, v in pool.items()}, g), pool["label"][pick]
        net.train()
        with torch.autocast(dev, torch.bfloat16, enabled=dev == "cuda"):
            o = net(x)
        o = o.float()
        on = y[:, 0]
        place = -(target(y) * F.log_softmax(o[:, :-1], 1)).sum(1)
        l = (place * on).sum() / (on.sum() + 1) + 0.5 * F.binary_cross_entropy_with_logits(o[:, -1], on)
        opt.zero_grad()
        l.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 5)
        opt.step()
        with torch.no_grad():
            torch._foreach_lerp_(mean, now, 1 - min(0.999, (step + 1) / (step + 20)))
        step += 1
        if step % 400 == 0:
            print(f"{spent:5.0f} s step {step} pool {filled} drawn {drawn} loss {l.item():.4f}", flush=True)
    net.eval()
    with torch.no_grad():
        for v, m in zip(now, mean):
            v.copy_(m)
        x = torch.cat([stretch(h["image"].float() / 255)[:, None] for h in held])
        y = torch.cat([h["label"] for h in held])
        o = net(x)
        level, spread = read(o)
        on = y[:, 0] > 0
        e = (level - y[:, 2])[on]
        print("held out: there %.3f right; level error bias %.2f median %.2f p90 %.2f p95 %.2f" % (
            ((o[:, -1] > 0) == on).float().mean(), e.mean(), e.abs().median(), e.abs().quantile(0.9), e.abs().quantile(0.95)))
        for lo, hi in ((0, 1.5), (1.5, 2), (2, 3), (3, 5), (5, 99)):
            k = (spread[on] >= lo) & (spread[on] < hi)
            if k.any():
                print(f"spread {lo}–{hi}: {int(k.sum())} patches, rms error {e[k].square().mean().sqrt():.2f}, median {e[k].abs().median():.2f}")
    net.cpu()
    torch.onnx.export(net, torch.zeros(1, 1, ROWS, COLS), a.out, opset_version=11, input_names=["patch"], output_names=["tip"], dynamo=False)
    print("wrote", a.out, sum(p.numel() for p in net.parameters()), "parameters,", step, "steps")


if __name__ == "__main__":
    main()
