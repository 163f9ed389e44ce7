#!/usr/bin/env python3
"""Trains a network that finds landmarks on a straightened patch:
detect/trochanter.onnx or detect/knee.onnx. Samples: `trainsamples --kind KIND`; see
common.py. train_hip.py trains those of the hip, which have the same shape.

    python3 train_patch.py --kind knee --samples ./trainsamples --meshes ./meshes --out knee.onnx --minutes 6

Output: for each landmark, at half the patch's size, the logits of where it lies,
over all places; then for each landmark the logit that it is there at all; of the
hip, then the leg's turn in tens of degrees, + inwards, and the logarithm of its
standard deviation.
"""
import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

import common
import process

# Rows, columns and landmarks, as simulate.PatchKinds and HipMarks have them.
KINDS = {
    "trochanter": (96, 64, ["lesser_trochanter"]),
    "hip": (112, 112, ["head_centre", "rim_proximal", "rim_medial", "rim_distal", "neck_centre", "neck_superior",
                       "neck_inferior", "greater_trochanter", "lesser_trochanter", "canal_lateral", "canal_medial"]),
    "head": (128, 128, ["head_centre", "rim_proximal", "rim_medial", "rim_distal", "neck_centre", "neck_superior", "neck_inferior"]),
    "knee": (96, 128, ["condyle_lateral", "condyle_medial", "knee_centre"]),
}
WIDTHS = {"trochanter": [24, 48, 80, 112], "hip": [32, 64, 112, 160], "head": [24, 48, 96, 128], "knee": [24, 48, 80, 112]}
TURNED = ["hip"]
SIGMA = 0.75  # of the target, pixels of the output


class Patch(nn.Module):
    def __init__(self, kind):
        super().__init__()
        rows, cols, names = KINDS[kind]
        widths = WIDTHS[kind]
        self.net = common.UNet(1, widths, deep=0)
        self.place = nn.Conv2d(widths[0], len(names), 1)
        self.there = nn.Conv2d(widths[-1], len(names) + 2 * (kind in TURNED), (rows // 16, cols // 16))

    def forward(self, x):
        x, deepest = self.net(x)
        return torch.cat([self.place(x).flatten(1), self.there(deepest).flatten(1)], 1)


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
    x = torch.where(r(b, 1, 1) < 0.25, x + 2 * r(b, 1, 1) * (x - common.box(x, 25, 25)), x)
    # Contrast made alike everywhere, and ends burnt or crushed.
    alike = process.alike(x, lambda y: common.box(y, 31, 31), 0.7 * r(b, 1, 1))
    x = torch.where(r(b, 1, 1) < 0.15, alike, x)
    lo, hi = torch.quantile(x.flatten(1), torch.tensor([0.02, 0.98], device=dev), dim=1)[:, :, None, None]
    cut = r(b, 1, 1) < 0.25
    x = torch.where(cut, torch.minimum(torch.maximum(x, lo + 0.4 * r(b, 1, 1) * (hi - lo)), hi - 0.35 * r(b, 1, 1) * (hi - lo)), x)
    px, py = torch.arange(cols, device=dev), torch.arange(rows, device=dev)
    for _ in range(2):
        on, w, h, l, u = r(b, 1, 1) < 0.15, 2 + 10 * r(b, 1, 1), 2 + 16 * r(b, 1, 1), cols * r(b, 1, 1), rows * r(b, 1, 1)
        box = on & (px >= l) & (px < l + w) & (py[:, None] >= u) & (py[:, None] < u + h)
        x = torch.where(box, r(b, 1, 1) * 1.6 - 0.3, x)
    return common.stretch(x)[:, None]


def moved(image, marks, g):
    """Patches and their landmarks turned by up to 3°, scaled by up to 8 % and shifted by up to 5 pixels."""
    b, rows, cols = image.shape
    even = lambda lo, hi: lo + (hi - lo) * torch.rand(b, generator=g, device=image.device)
    angle, scale = even(-0.05, 0.05), torch.exp(even(-0.08, 0.08))
    dx, dy = even(-5, 5), even(-5, 5)
    s, c = torch.sin(angle), torch.cos(angle)
    # Where a place of the new patch lies on the old: its middle + scale · turned (place − middle) + shift.
    m = torch.stack([torch.stack([scale * c, -scale * s * (rows - 1) / (cols - 1), 2 * dx / (cols - 1)], 1),
                     torch.stack([scale * s * (cols - 1) / (rows - 1), scale * c, 2 * dy / (rows - 1)], 1)], 1)
    x = F.grid_sample(image.float()[:, None], F.affine_grid(m, (b, 1, rows, cols), align_corners=True), align_corners=True)[:, 0]
    px, py = marks[..., 1] - (cols - 1) / 2 - dx[:, None], marks[..., 2] - (rows - 1) / 2 - dy[:, None]
    s, c = (s / scale)[:, None], (c / scale)[:, None]
    new = torch.stack([marks[..., 0], c * px + s * py + (cols - 1) / 2, c * py - s * px + (rows - 1) / 2], 2)
    out = (new[..., 1] < 0) | (new[..., 2] < 0) | (new[..., 1] > cols - 1) | (new[..., 2] > rows - 1)
    new[..., 0] = torch.where(out & (new[..., 0] > 0), torch.zeros_like(new[..., 0]), new[..., 0])
    return x, new


def target(marks, h, w):
    """The landmarks as distributions over the h × w places of the output: batch × marks × places."""
    dev = marks.device
    cx, cy = (marks[..., 1] - 0.5) / 2, (marks[..., 2] - 0.5) / 2
    x, y = torch.arange(w, device=dev).float(), torch.arange(h, device=dev).float()
    ex = torch.exp(-((x - cx[..., None]) ** 2) / (2 * SIGMA ** 2))
    ey = torch.exp(-((y - cy[..., None]) ** 2) / (2 * SIGMA ** 2))
    t = (ey[..., :, None] * ex[..., None, :]).flatten(2)
    return t / t.sum(2, keepdim=True).clamp(min=1e-6)


def parts(o, k, places):
    """The output's parts: the logits of the places (batch × marks × places), those of being there, and the turn."""
    n = k * places
    return o[:, :n].view(-1, k, places), o[:, n:n + k], o[:, n + k:]


def read(logits, h, w):
    """Mean places x, y and their spread, pixels of the patch: each batch × marks."""
    p = torch.softmax(logits, 2).view(*logits.shape[:2], h, w)
    x, y = torch.arange(w, device=p.device).float(), torch.arange(h, device=p.device).float()
    mx, my = (p.sum(2) * x).sum(2), (p.sum(3) * y).sum(2)
    v = (p.sum(2) * (x - mx[..., None]) ** 2).sum(2) + (p.sum(3) * (y - my[..., None]) ** 2).sum(2)
    return 2 * mx + 0.5, 2 * my + 0.5, 2 * torch.sqrt(v.clamp(min=1e-6) / 2)


def losses(o, y, angle, kind):
    """The parts of the loss: of the landmarks' places, of their being there, and of the leg's turn."""
    rows, cols, names = KINDS[kind]
    h, w = rows // 2, cols // 2
    places, there, turn = parts(o, len(names), h * w)
    on, known = (y[..., 0] > 0).float(), (y[..., 0] >= 0).float()
    place = -(target(y, h, w) * F.log_softmax(places, 2)).sum(2)
    there = F.binary_cross_entropy_with_logits(there, on, reduction="none")
    out = {"place": (place * on).sum() / (on.sum() + 1), "there": 0.5 * (there * known).sum() / (known.sum() + 1)}
    if turn.shape[1]:
        seen = on.sum(1) > 0
        sd = turn[:, 1].clamp(-3, 2)
        nll = sd + 0.5 * ((turn[:, 0] - angle / 10) / sd.exp()) ** 2
        out["turn"] = 0.1 * (nll.clamp(max=20) * seen).sum() / (seen.sum() + 1)
    return out


def judge(net, held, kind):
    """Prints how near the places come on samples that were not trained on: held are batches of pictures, landmarks and turns."""
    rows, cols, names = KINDS[kind]
    h, w, k = rows // 2, cols // 2, len(names)
    with torch.no_grad():
        o = torch.cat([net(x).float() for x, _, _ in held])
    y, angle = torch.cat([y for _, y, _ in held]), torch.cat([t for _, _, t in held])
    places, there, turn = parts(o, k, h * w)
    mx, my, spread = read(places, h, w)
    if turn.shape[1]:
        e = (10 * turn[:, 0] - angle).abs()
        sd = 10 * turn[:, 1].clamp(-3, 2).exp()
        print(f"turn: sd {angle.std():.1f}; error median {e.median():.1f} rms {e.square().mean().sqrt():.1f}; "
              f"over its own sd, rms {(e / sd).square().mean().sqrt():.2f}")
    for i, name in enumerate(names):
        known, on = y[:, i, 0] >= 0, y[:, i, 0] > 0
        ex, ey = (mx[:, i] - y[:, i, 1])[on], (my[:, i] - y[:, i, 2])[on]
        if not on.any():
            continue
        e = torch.sqrt(ex ** 2 + ey ** 2)
        right = ((there[:, i] > 0) == on)[known].float().mean()
        print(f"{name}: there {right:.3f} right; bias {ex.median():+.2f} {ey.median():+.2f}; "
              f"distance median {e.median():.2f} p90 {e.quantile(0.9):.2f} p95 {e.quantile(0.95):.2f}")
        for lo, hi in ((0, 2), (2, 2.5), (2.5, 3.5), (3.5, 5), (5, 99)):
            b = (spread[on, i] >= lo) & (spread[on, i] < hi)
            if b.any():
                print(f"    spread {lo}–{hi}: {int(b.sum())} patches, rms {e[b].square().mean().sqrt():.2f}, median {e[b].median():.2f}")


def main():
    a = common.arguments(__doc__, minutes=5, pool=200000)
    a.add_argument("--kind", required=True, choices=["trochanter", "knee"])
    a.add_argument("--state", default="", help="file for the weights, to train on from")
    a.add_argument("--from", dest="start", default="", help="such a file")
    a.add_argument("--rate", type=float, default=2e-3)
    a = a.parse_args()
    rows, cols, names = KINDS[a.kind]
    h, w, k = rows // 2, cols // 2, len(names)
    record = np.dtype([("image", np.uint8, (rows, cols)), ("marks", "<f4", (k, 3)),  # state, x, y
                       ("turn", "<f4")])
    dev, g, _ = common.begin(a.seed)

    def unpack(r):
        t = common.tensors(r, ("image", "marks", "turn"), dev)
        flat = t["image"].flatten(1)
        dull = (flat.max(1).values.int() - flat.min(1).values.int()) < 16
        t["marks"][dull, :, 0] = 0  # nobody could see them
        return t

    samples = common.Samples(a, a.kind, record, unpack, dev, held=12)
    net = Patch(a.kind).to(dev)
    if a.start:
        net.load_state_dict(torch.load(a.start, map_location=dev))

    def loss(t):
        image, marks = moved(t["image"], t["marks"], g)
        with common.fast(dev):
            o = net(prepare(image, g))
        return losses(o.float(), marks, t["turn"], a.kind)

    common.train(net, samples, g, a.minutes, 256, loss, rate=a.rate, report=400)
    if a.state:
        torch.save(net.state_dict(), a.state)
    held = [(common.stretch(r["image"].float() / 255)[:, None], r["marks"], r["turn"]) for r in samples.held]
    judge(net, held, a.kind)
    common.export(net, (1, 1, rows, cols), a.out, "patch", "marks")


if __name__ == "__main__":
    main()
