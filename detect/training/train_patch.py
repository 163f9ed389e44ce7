#!/usr/bin/env python3
"""Trains a network that finds landmarks on a straightened patch:
detect/trochanter.onnx, detect/hip.onnx or detect/knee.onnx. Samples:
`trainsamples --kind KIND`; see train.py.

    python3 train_patch.py --kind hip --samples ./trainsamples --meshes ./meshes --out hip.onnx --minutes 6

Output: for each landmark, at half the patch's size, the logits of where it lies,
over all places; then for each landmark the logit that it is there at all.
"""
import argparse
import multiprocessing as mp
import os
import queue
import subprocess
import threading
import time

import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

from train import block

# Rows, columns and landmarks, as simulate.PatchKinds has them.
KINDS = {
    "trochanter": (96, 64, ["lesser_trochanter"]),
    "hip": (112, 112, ["head_centre", "rim_proximal", "rim_medial", "rim_distal", "neck_centre", "neck_superior",
                       "neck_inferior", "greater_trochanter", "lesser_trochanter", "canal_lateral", "canal_medial"]),
    "knee": (96, 128, ["condyle_lateral", "condyle_medial", "knee_centre"]),
}
WIDTHS = [24, 48, 80, 112]
SIGMA = 0.75  # of the target, pixels of the output
BATCH = 32  # records in one read


class Patch(nn.Module):
    """A small U-Net whose skips are added."""

    def __init__(self, rows, cols, marks):
        super().__init__()
        w = WIDTHS
        self.stem = nn.Sequential(nn.Conv2d(1, w[0], 5, 2, 2, bias=False), nn.BatchNorm2d(w[0]), nn.ReLU(inplace=True))
        self.down = nn.ModuleList([nn.Sequential(block(w[0], w[0]))] + [
            nn.Sequential(block(w[i], w[i + 1], 2), block(w[i + 1], w[i + 1])) for i in range(3)])
        self.narrow = nn.ModuleList([nn.Conv2d(w[i + 1], w[i], 1) for i in range(3)])
        self.up = nn.ModuleList([block(w[i], w[i]) for i in range(3)])
        self.place = nn.Conv2d(w[0], marks, 1)
        self.there = nn.Conv2d(w[3], marks, (rows // 16, cols // 16))

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


def reader(command, record, out):
    """Reads records from one simulator process into the queue, BATCH at a time."""
    env = dict(os.environ, GOMAXPROCS="1", GOGC="400")
    p = subprocess.Popen(command, stdout=subprocess.PIPE, env=env, bufsize=0)
    n = BATCH * record.itemsize
    while True:
        raw = bytearray(n)
        at = 0
        while at < n:
            got = p.stdout.readinto(memoryview(raw)[at:])
            if not got:
                out.put(None)
                return
            at += got
        out.put(np.frombuffer(raw, record))


def prepare(image, g):
    """Stretches and disturbs a batch of patches."""
    x = image.float()
    b, rows, cols = x.shape
    dev = x.device
    r = lambda *s: torch.rand(*s, generator=g, device=dev)
    x = (x / 255) ** torch.exp((r(b, 1, 1) - 0.5) * 1.2)
    xx = torch.linspace(-1, 1, cols, device=dev)[None, None]
    yy = torch.linspace(-1, 1, rows, device=dev)[None, :, None]
    x = x + (r(b, 1, 1) - 0.5) * 0.4 * xx + (r(b, 1, 1) - 0.5) * 0.4 * yy
    x = x + torch.randn(x.shape, generator=g, device=dev) * (r(b, 1, 1) ** 3) * 0.12
    soft = r(b, 1, 1) < 0.2
    x = torch.where(soft, F.avg_pool2d(x[:, None], 3, 1, 1)[:, 0], x)
    x = torch.where(r(b, 1, 1) < 0.2, x + 1.2 * (x - F.avg_pool2d(x[:, None], 9, 1, 4)[:, 0]), x)
    x = torch.where(r(b, 1, 1) < 0.1, x + 2.5 * r(b, 1, 1) * (x - F.avg_pool2d(x[:, None], 5, 1, 2)[:, 0]), x)
    px, py = torch.arange(cols, device=dev), torch.arange(rows, device=dev)
    for _ in range(2):
        on, w, h, l, u = r(b, 1, 1) < 0.15, 2 + 10 * r(b, 1, 1), 2 + 16 * r(b, 1, 1), cols * r(b, 1, 1), rows * r(b, 1, 1)
        box = on & (px >= l) & (px < l + w) & (py[:, None] >= u) & (py[:, None] < u + h)
        x = torch.where(box, r(b, 1, 1) * 1.6 - 0.3, x)
    return stretch(x)[:, None]


def stretch(x):
    """As detect does: 1 % and 99 % of the patch to 0 and 1, ends kept to −0.5 … 1.5."""
    q = torch.quantile(x.flatten(1), torch.tensor([0.01, 0.99], device=x.device), dim=1)
    lo, hi = q[0][:, None, None], q[1][:, None, None]
    return ((x - lo) / (hi - lo).clamp(min=1e-6)).clamp(-0.5, 1.5)


def target(marks, h, w):
    """The landmarks as distributions over the h × w places of the output: batch × marks × places."""
    dev = marks.device
    cx, cy = (marks[..., 1] - 0.5) / 2, (marks[..., 2] - 0.5) / 2
    x, y = torch.arange(w, device=dev).float(), torch.arange(h, device=dev).float()
    ex = torch.exp(-((x - cx[..., None]) ** 2) / (2 * SIGMA ** 2))
    ey = torch.exp(-((y - cy[..., None]) ** 2) / (2 * SIGMA ** 2))
    t = (ey[..., :, None] * ex[..., None, :]).flatten(2)
    return t / t.sum(2, keepdim=True).clamp(min=1e-6)


def read(logits, h, w):
    """Mean places x, y and their spread, pixels of the patch: each batch × marks."""
    p = torch.softmax(logits, 2).view(*logits.shape[:2], h, w)
    x, y = torch.arange(w, device=p.device).float(), torch.arange(h, device=p.device).float()
    mx, my = (p.sum(2) * x).sum(2), (p.sum(3) * y).sum(2)
    v = (p.sum(2) * (x - mx[..., None]) ** 2).sum(2) + (p.sum(3) * (y - my[..., None]) ** 2).sum(2)
    return 2 * mx + 0.5, 2 * my + 0.5, 2 * torch.sqrt(v.clamp(min=1e-6) / 2)


def report(net, held, kind):
    """Prints how near the places come on samples that were not trained on."""
    rows, cols, names = KINDS[kind]
    h, w, k = rows // 2, cols // 2, len(names)
    o, y = [], []
    with torch.no_grad():
        for r in held:
            o.append(net(stretch(r["image"].float() / 255)[:, None]).float())
            y.append(r["marks"])
    o, y = torch.cat(o), torch.cat(y)
    mx, my, spread = read(o[:, :-k].view(-1, k, h * w), h, w)
    for i, name in enumerate(names):
        known, on = y[:, i, 0] >= 0, y[:, i, 0] > 0
        there = o[:, o.shape[1] - k + i]
        ex, ey = (mx[:, i] - y[:, i, 1])[on], (my[:, i] - y[:, i, 2])[on]
        if not on.any():
            continue
        e = torch.sqrt(ex ** 2 + ey ** 2)
        right = ((there > 0) == on)[known].float().mean()
        print(f"{name}: there {right:.3f} right; bias {ex.median():+.2f} {ey.median():+.2f}; "
              f"distance median {e.median():.2f} p90 {e.quantile(0.9):.2f} p95 {e.quantile(0.95):.2f}")
        for lo, hi in ((0, 2), (2, 2.5), (2.5, 3.5), (3.5, 5), (5, 99)):
            b = (spread[on, i] >= lo) & (spread[on, i] < hi)
            if b.any():
                print(f"    spread {lo}–{hi}: {int(b.sum())} patches, rms {e[b].square().mean().sqrt():.2f}, median {e[b].median():.2f}")


def main():
    a = argparse.ArgumentParser()
    a.add_argument("--kind", required=True, choices=KINDS)
    a.add_argument("--samples", required=True)
    a.add_argument("--meshes", default="", help="folder with femur surfaces for trainsamples")
    a.add_argument("--out", required=True)
    a.add_argument("--minutes", type=float, default=5)
    a.add_argument("--workers", type=int, default=mp.cpu_count())
    a.add_argument("--pool", type=int, default=200000)
    a.add_argument("--seed", type=int, default=1)
    a = a.parse_args()
    rows, cols, names = KINDS[a.kind]
    h, w, k = rows // 2, cols // 2, len(names)
    record = np.dtype([("image", np.uint8, (rows, cols)), ("marks", "<f4", (k, 3))])  # state, x, y
    dev = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(a.seed)
    g = torch.Generator(device=dev).manual_seed(a.seed)
    q = queue.Queue(maxsize=400)
    for i in range(a.workers):
        command = [a.samples, "--kind", a.kind, "--seed", str(a.seed * 1000 + i)]
        if a.meshes:
            command += ["--meshes", a.meshes]
        threading.Thread(target=reader, args=(command, record, q), daemon=True).start()

    def load(r):
        if r is None:
            raise SystemExit("a trainsamples has ended")
        t = {n: torch.from_numpy(r[n].copy()).to(dev) for n in ("image", "marks")}
        flat = t["image"].flatten(1)
        dull = (flat.max(1).values.int() - flat.min(1).values.int()) < 16
        t["marks"][dull, :, 0] = 0  # nobody could see them
        return t

    held = [load(q.get()) for _ in range(40)]
    pool = {n: torch.empty((a.pool, *v.shape[1:]), dtype=v.dtype, device=dev) for n, v in held[0].items()}
    filled = at = drawn = step = 0
    net = Patch(rows, cols, k).to(dev)
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
            for name, v in r.items():
                pool[name][at:at + n] = v
            at, drawn = at + n, drawn + n
            filled = max(filled, at)
        for p in opt.param_groups:
            p["lr"] = 2e-3 * min(1, (step + 1) / 200) * 0.5 * (1 + np.cos(np.pi * spent / (a.minutes * 60)))
        pick = torch.randint(0, filled, (256,), generator=g, device=dev)
        x, y = prepare(pool["image"][pick], g), pool["marks"][pick]
        net.train()
        with torch.autocast(dev, torch.bfloat16, enabled=dev == "cuda"):
            o = net(x)
        o = o.float()
        on, known = (y[..., 0] > 0).float(), (y[..., 0] >= 0).float()
        place = -(target(y, h, w) * F.log_softmax(o[:, :-k].view(-1, k, h * w), 2)).sum(2)
        there = F.binary_cross_entropy_with_logits(o[:, -k:], on, reduction="none")
        l = (place * on).sum() / (on.sum() + 1) + 0.5 * (there * known).sum() / (known.sum() + 1)
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
    report(net, held, a.kind)
    net.cpu()
    torch.onnx.export(net, torch.zeros(1, 1, rows, cols), a.out, opset_version=11, input_names=["patch"], output_names=["marks"], dynamo=False)
    print("wrote", a.out, sum(p.numel() for p in net.parameters()), "parameters,", step, "steps")


if __name__ == "__main__":
    main()
