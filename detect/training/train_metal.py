#!/usr/bin/env python3
"""Trains the network that marks metal along a shaft (detect/metal.onnx).
Samples: `trainsamples --kind metal`; see train.py.

    python3 train_metal.py --samples ./trainsamples --out metal.onnx --minutes 7

Output at half the patch's size: six planes of logits, of which the softmax is
the probability of no metal, metal of a nail, a plate, a stem, of another
implant, and of a letter or a scale ball.
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

ROWS, COLS = 224, 160
CLASSES = 6
NAMES = ["none", "intramedullary", "plate", "stem", "other", "mark"]
RECORD = np.dtype([("image", np.uint8, (ROWS, COLS)), ("label", np.uint8, (ROWS // 2, COLS // 2))])
WIDTHS = [16, 32, 56, 88, 112]


class Metal(nn.Module):
    def __init__(self):
        super().__init__()
        w = WIDTHS
        self.stem = nn.Sequential(nn.Conv2d(1, w[0], 5, 2, 2, bias=False), nn.BatchNorm2d(w[0]), nn.ReLU(inplace=True))
        self.down = nn.ModuleList([nn.Sequential(block(w[0], w[0]))] + [
            nn.Sequential(block(w[i], w[i + 1], 2), block(w[i + 1], w[i + 1])) for i in range(4)])
        self.deep = block(w[4], w[4])
        self.narrow = nn.ModuleList([nn.Conv2d(w[i + 1], w[i], 1) for i in range(4)])
        self.up = nn.ModuleList([block(w[i], w[i]) for i in range(4)])
        self.head = nn.Conv2d(w[0], CLASSES, 1)

    def forward(self, x):
        x = self.stem(x)
        skips = []
        for d in self.down:
            x = d(x)
            skips.append(x)
        x = self.deep(x)
        for i in reversed(range(4)):
            x = F.interpolate(self.narrow[i](x), scale_factor=2, mode="nearest")
            x = self.up[i](x + skips[i])
        return self.head(x)


def stretch(x, on):
    """As metalnet.go does: 1 % and 99 % of what is on the film to 0 and 1, ends kept to −0.5 … 1.5; 0 off the film."""
    flat = torch.where(on, x, torch.nan).flatten(1)[:, ::3]
    q = torch.nanquantile(flat, torch.tensor([0.01, 0.99], device=x.device), dim=1)
    lo, hi = q[0][:, None, None], q[1][:, None, None]
    y = ((x - lo) / (hi - lo).clamp(min=1e-3)).clamp(-0.5, 1.5)
    return torch.nan_to_num(torch.where(on, y, 0.0))


def prepare(t, g, rng):
    """Stretches, disturbs, mirrors a batch; returns the picture and the labels."""
    x, label = t["image"].float(), t["label"].long()
    b, dev = x.shape[0], x.device
    r = lambda *s: torch.rand(*s, generator=g, device=dev)
    on = x > 0
    x = ((x - 1) / 254).clamp(0, 1) ** torch.exp((r(b, 1, 1) - 0.5) * 1.2)
    xx = torch.linspace(-1, 1, COLS, device=dev)[None, None]
    yy = torch.linspace(-1, 1, ROWS, device=dev)[None, :, None]
    x = x + (r(b, 1, 1) - 0.5) * 0.4 * xx + (r(b, 1, 1) - 0.5) * 0.4 * yy
    # Burnt: what is brighter than some level is all alike.
    cut = 0.45 + 0.75 * r(b, 1, 1)
    x = torch.where(r(b, 1, 1) < 0.3, torch.minimum(x, cut), x)
    x = torch.where(r(b, 1, 1) < 0.15, F.avg_pool2d(x[:, None], 3, 1, 1)[:, 0], x)
    x = torch.where(r(b, 1, 1) < 0.25, x + 1.2 * (x - F.avg_pool2d(x[:, None], 9, 1, 4)[:, 0]), x)
    x = x + torch.randn(x.shape, generator=g, device=dev) * (r(b, 1, 1) ** 3) * 0.12
    x = stretch(x, on)
    dims = [d for d in (-1, -2) if rng.random() < (0.5 if d == -1 else 0.2)]
    if dims:
        x, label = torch.flip(x, dims), torch.flip(label, dims)
    return x[:, None], label


def loss_of(o, label):
    weight = torch.tensor([1.0, 2, 2, 2, 3, 2], device=o.device)
    l = F.cross_entropy(o, label, weight=weight)
    # Metal or not, whatever its kind.
    p = torch.softmax(o, 1)
    metal, true = p[:, 1:5].sum(1), ((label > 0) & (label < 5)).float()
    dice = 1 - (2 * (metal * true).sum((1, 2)) + 3) / ((metal + true).sum((1, 2)) + 3)
    return 3 * l + 0.5 * dice.mean()


def judge(net, held, dev):
    """Prints how much metal is seen where there is some and where there is none."""
    g, rng = torch.Generator(device=dev).manual_seed(5), np.random.default_rng(5)
    net.eval()
    seen, false, kinds = {k: [] for k in range(1, 6)}, [], np.zeros((6, 6), int)
    with torch.no_grad():
        for r in held:
            t = unpack(r, dev)
            x, y = prepare(t, g, rng)
            p = torch.softmax(net(x).float(), 1)
            metal = p[:, 1:5].sum(1) > 0.5
            for i in range(len(y)):
                for k in range(1, 6):
                    m = y[i] == k
                    if m.sum() >= 8:
                        hit = (p[i, 5] > 0.5) if k == 5 else metal[i]
                        seen[k].append(float((hit & m).sum() / m.sum()))
                        if k < 5 and metal[i].sum() > 0:
                            kinds[k, 1 + int((p[i, 1:5] * metal[i]).sum((1, 2)).argmax())] += 1
                if not ((y[i] > 0) & (y[i] < 5)).any():
                    false.append(int(metal[i].sum()))
    net.train()
    for k in range(1, 6):
        v = np.array(seen[k])
        print(f"{NAMES[k]}: {len(v)} patches, share of cells seen: mean {v.mean():.3f}, under 0.3: {(v < 0.3).sum()}, none: {(v == 0).sum()}; named {kinds[k, 1:5].tolist()}")
    f = np.array(false)
    print("without metal:", len(f), "patches; with more than 0, 3, 6, 12, 25 cells of metal:", [int((f > c).sum()) for c in (0, 3, 6, 12, 25)], flush=True)


def unpack(r, dev):
    return {k: torch.from_numpy(np.ascontiguousarray(r[k])).to(dev) for k in ("image", "label")}


def main():
    a = argparse.ArgumentParser()
    a.add_argument("--samples", required=True)
    a.add_argument("--out", default="metal.onnx")
    a.add_argument("--minutes", type=float, default=7)
    a.add_argument("--meshes", default="", help="folder with femur surfaces for trainsamples")
    a.add_argument("--workers", type=int, default=mp.cpu_count())
    a.add_argument("--pool", type=int, default=200000)
    a.add_argument("--seed", type=int, default=1)
    a = a.parse_args()
    dev = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(a.seed)
    rng = np.random.default_rng(a.seed)
    g = torch.Generator(device=dev).manual_seed(a.seed)
    q = queue.Queue(maxsize=400)
    for i in range(a.workers):
        threading.Thread(target=reader, args=(a.samples, a.seed * 1000 + i, q, "metal", RECORD, a.meshes), daemon=True).start()
    held = [q.get() for _ in range(40)]  # never trained on
    pool = {k: torch.empty((a.pool, *v.shape[1:]), dtype=v.dtype, device=dev) for k, v in unpack(held[0], dev).items()}
    filled = at = drawn = step = 0
    net = Metal().to(dev)
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
        pick = torch.randint(0, filled, (96,), generator=g, device=dev)
        x, y = prepare({k: v[pick] for k, v in pool.items()}, g, rng)
        with torch.autocast(dev, torch.bfloat16, enabled=dev == "cuda"):
            o = net(x)
        l = loss_of(o.float(), y)
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
    judge(net, held, dev)
    net.eval().cpu()
    torch.onnx.export(net, torch.zeros(1, 1, ROWS, COLS), a.out, opset_version=11, input_names=["patch"], output_names=["metal"], dynamo=False)
    print("wrote", a.out, sum(p.numel() for p in net.parameters()), "parameters,", step, "steps")


if __name__ == "__main__":
    main()
