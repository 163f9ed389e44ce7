#!/usr/bin/env python3
"""Trains the network that traces the lateral cortex on a straightened strip and
marks focal thickenings and lucent lines (detect/cortex.onnx). Samples:
`trainsamples --kind cortex`; see common.py.

    python3 train_cortex.py --samples ./trainsamples --meshes ./meshes --out cortex.onnx --minutes 9

The strip: 256 rows of 0.5 mm along the shaft, 112 columns of 0.2 mm from lateral
to medial. Output, one vector: planes of half that size each way,
  0 logits of the outer edge's column, row by row      1 of the inner edge's
  2, 3 the same of the bone without focal thickenings  4 logit of a lucent line
then for each row of the planes (1 mm)
  0, 1 logits that the outer, the inner edge is there to see
  2 logit that a thickening of 0.5 mm or more covers it
  3, 4 its outer and inner height in mm                5, 6 log of their spread
"""
import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

import common
from common import block

ROWS, COLS = 256, 112
H, W = ROWS // 2, COLS // 2
PLANES, PER_ROW = 5, 7
ACROSS = 0.2  # mm, a column of the picture
WIDTHS = [16, 40, 64, 80]
SIGMA = 0.75  # of an edge's target, columns of the planes
RECORD = np.dtype([("image", np.uint8, (ROWS, COLS)), ("line", np.uint8, (H, W)), ("row", "<f4", (H, 6)), ("state", np.int8, (H, 3))])


def tall(a, b, size, stride=1):
    return nn.Sequential(nn.Conv2d(a, b, size, stride, (size[0] // 2, size[1] // 2), bias=False), nn.BatchNorm2d(b), nn.ReLU(inplace=True))


class Cortex(nn.Module):
    """A small U-Net whose skips are added; its deepest part sees the whole length."""

    def __init__(self):
        super().__init__()
        w = WIDTHS
        self.stem = tall(1, w[0], (5, 5), 2)
        self.down = nn.ModuleList([block(w[0], w[0])] + [
            nn.Sequential(block(w[i], w[i + 1], 2), block(w[i + 1], w[i + 1])) for i in range(3)])
        self.deep = nn.Sequential(tall(w[3], w[3], (3, 3), (2, 1)), tall(w[3], w[3], (5, 3)), tall(w[3], w[3], (5, 3)))
        self.same = block(w[3], w[3])
        self.narrow = nn.ModuleList([nn.Conv2d(w[i + 1], w[i], 1) for i in range(3)])
        self.up = nn.ModuleList([block(w[i], w[i]) for i in range(3)])
        self.last = block(w[0], w[0])
        self.planes = nn.Conv2d(w[0], PLANES, 1)
        self.coarse = nn.Conv2d(w[1], 64, (1, W // 2))
        self.fine = nn.Conv2d(w[0], 64, (1, W))
        self.rows = nn.Sequential(nn.BatchNorm2d(64), nn.ReLU(inplace=True), tall(64, 48, (5, 1)), nn.Conv2d(48, PER_ROW, (5, 1), padding=(2, 0)))

    def forward(self, x):
        x = self.stem(x)
        skips = []
        for d in self.down:
            x = d(x)
            skips.append(x)
        x = self.same(x + F.interpolate(self.deep(x), scale_factor=(2, 1), mode="nearest"))
        level = None
        for i in reversed(range(3)):
            x = F.interpolate(self.narrow[i](x), scale_factor=2, mode="nearest")
            x = self.up[i](x + skips[i])
            if i == 1:
                level = F.interpolate(self.coarse(x), scale_factor=(2, 1), mode="nearest")
        x = self.last(x)
        rows = self.rows(level + self.fine(x))
        return torch.cat([self.planes(x).flatten(1), rows.flatten(1)], 1)


def split(o):
    """The output as planes, batch × PLANES × H × W, and numbers by row, batch × PER_ROW × H."""
    n = PLANES * H * W
    return o[:, :n].view(-1, PLANES, H, W), o[:, n:].view(-1, PER_ROW, H)


def prepare(t, g):
    """Disturbs a batch; returns pictures and labels."""
    x, line, row, state = t["image"].float() / 255, t["line"], t["row"], t["state"].clone()
    b, dev = x.shape[0], x.device
    r = lambda: torch.rand(b, 1, 1, generator=g, device=dev)
    yy, xx = torch.arange(ROWS, device=dev)[None, :, None].float(), torch.arange(COLS, device=dev)[None, None].float()
    # A seam of two exposures, scratches and grids across the film.
    y0, slope = r() * ROWS, (r() - 0.5) * 1.2
    x = x + torch.where(r() < 0.05, (r() - 0.5) * 0.5, 0) * (yy > y0 + slope * xx)
    y0, slope = r() * ROWS, (r() - 0.5) * 3
    x = x + torch.where(r() < 0.1, (r() - 0.6) * 0.6, 0) * ((yy - y0 - slope * xx).abs() < 0.4 + 1.4 * r() ** 2)
    x = x + torch.where(r() < 0.05, r() * 0.08, 0) * torch.sin(yy * (0.3 + 2 * r()) + xx * (r() - 0.5) * 2)
    x = x.clamp(0, 1) ** torch.exp((r() - 0.5) * 1.2)
    x = x + (r() - 0.5) * 0.5 * (xx / COLS - 0.5) + (r() - 0.5) * 0.6 * (yy / ROWS - 0.5) + torch.where(r() < 0.3, (r() - 0.5) * 1.2, 0) * (yy / ROWS - 0.5) ** 2
    x = torch.where(r() < 0.2, common.box(x, 1, 3), x)
    x = torch.where(r() < 0.1, common.box(x, 3, 5), x)
    low = common.box(x, 7, 17)
    x = torch.where(r() < 0.25, x + 1.5 * r() * (x - low), x)
    x = torch.where(r() < 0.1, x + 2.5 * r() * (x - common.box(x, 3, 5)), x)
    noise = torch.randn(x.shape, generator=g, device=dev)
    x = x + torch.where(r() < 0.5, noise, common.box(noise, 1, 3) * 1.7) * (r() ** 3) * 0.12
    for _ in range(2):
        on, w, h, l, u = r() < 0.06, 3 + 20 * r(), 2 + 16 * r(), COLS * r(), ROWS * r()
        x = torch.where(on & (xx >= l) & (xx < l + w) & (yy >= u) & (yy < u + h), r() * 1.6 - 0.3, x)
    # Strips that are longer than what there is: one value, or the last row again.
    top, end = torch.where(r() < 0.1, r() * 110, 0).floor(), ROWS - torch.where(r() < 0.1, r() * 110, 0).floor()
    off = (yy < top) | (yy >= end)
    at = torch.minimum(torch.maximum(yy, top), end - 1).long().expand(b, ROWS, COLS)
    x = torch.where(off, torch.where(r() < 0.5, x.gather(1, at), torch.where(r() < 0.7, 0, r()).expand_as(x)), x)
    gone = off[:, ::2, 0] | off[:, 1::2, 0]
    state[..., :2] = torch.where(gone[..., None] & (state[..., :2] > 0), 0, state[..., :2])
    line = torch.where(gone[..., None], 0, line)
    return common.stretch(x, every=5)[:, None], {"line": line.float(), "row": row, "state": state, "gone": gone}


def edge_loss(z, col, weight):
    """Cross-entropy of the edges' columns and the distance of their mean, both weighted: z batch × H × W."""
    c = (col - 0.5) / 2
    x = torch.arange(W, device=z.device).float()
    t = torch.exp(-((x - c[..., None]) ** 2) / (2 * SIGMA ** 2))
    t = t / t.sum(2, keepdim=True).clamp(min=1e-6)
    p = F.log_softmax(z, 2)
    off = ((p.exp() * x).sum(2) - c).abs().clamp(max=6)
    weight = weight * ((c > 0.5) & (c < W - 1.5))
    return ((-(t * p).sum(2) + 0.4 * off) * weight).sum() / (weight.sum() + 1)


def loss_of(o, y):
    planes, rows = split(o)
    row, state = y["row"], y["state"]
    focal = state[..., 2] > 0
    more = 1 + 3 * focal.float()
    l = {}
    seen = []
    for k, name in ((0, "outer"), (1, "inner")):
        s = state[..., k]
        seen.append(s > 0)
        weight = torch.where(s > 0, 1.0, torch.where((s == 0) & ~y["gone"], 0.1, 0.0)) * more
        col = torch.nan_to_num(row[..., k], nan=-99.0)
        bare = torch.nan_to_num(row[..., 2 + k], nan=-99.0)
        l[name] = edge_loss(planes[:, k], col, weight)
        l["bare " + name] = edge_loss(planes[:, 2 + k], bare, weight)
        known = (s >= 0).float()
        there = F.binary_cross_entropy_with_logits(rows[:, k], (s > 0).float(), reduction="none")
        l["there " + name] = 0.3 * (there * known).sum() / (known.sum() + 1)
        h, b = rows[:, 3 + k], rows[:, 5 + k].clamp(-3.5, 1.5)
        nll = (h - row[..., 4 + k]).abs() * torch.exp(-b) + b
        weight = (s > 0) * more
        l["height " + name] = 0.4 * (nll * weight).sum() / (weight.sum() + 1)
    any_seen = seen[0] & (state[..., 2] >= 0)
    f = F.binary_cross_entropy_with_logits(rows[:, 2], focal.float(), reduction="none") * (1 + 0.5 * focal)
    l["focal"] = 3 * (f * any_seen).sum() / (any_seen.sum() + 1)
    m = y["line"]
    l["line"] = 20 * (F.binary_cross_entropy_with_logits(planes[:, 4], m, reduction="none") * (1 + 8 * m)).mean()
    return l


def moments(z):
    """Mean column of the picture and spread of the distributions over columns."""
    p = torch.softmax(z, -1)
    x = torch.arange(W, device=z.device).float()
    m = (p * x).sum(-1)
    v = (p * x * x).sum(-1) - m * m
    return 2 * m + 0.5, 2 * torch.sqrt(v.clamp(min=1e-6))


def smooth(v):
    return F.avg_pool1d(v[:, None], 3, 1, 1, count_include_pad=False)[:, 0]


def report(net, held):
    """Prints how near the edges and heights come and what is found, on samples that were not trained on."""
    net.eval()
    o, y = [], {k: [] for k in ("line", "row", "state")}
    with torch.no_grad():
        for r in held:
            o.append(net(common.stretch(r["image"].float() / 255, every=5)[:, None]).float())
            for k in y:
                y[k].append(r[k])
    planes, rows = split(torch.cat(o))
    y = {k: torch.cat(v) for k, v in y.items()}
    row, state = y["row"], y["state"]
    for k, name in enumerate(("outer", "inner", "bare outer", "bare inner")):
        m, spread = moments(planes[:, k])
        on = (state[..., k % 2] > 0) & ~torch.isnan(row[..., k])
        e, s = ACROSS * (m - row[..., k])[on], ACROSS * spread[on]
        print(f"{name}: rows {len(e)}, bias {e.median():+.3f} mm, distance median {e.abs().median():.3f} p90 {e.abs().quantile(0.9) if len(e) < 10_000_000 else 0:.3f} p99 {e.abs().quantile(0.99):.3f}")
        for lo, hi in ((0, 0.36), (0.36, 0.4), (0.4, 0.5), (0.5, 0.7), (0.7, 1), (1, 1.5), (1.5, 9)):
            q = (s >= lo) & (s < hi)
            if q.any():
                print(f"    spread {lo}–{hi} mm: {q.float().mean():.3f} of rows, rms {e[q].square().mean().sqrt():.3f}, median {e[q].abs().median():.3f}, over 1 mm {(e[q].abs() > 1).float().mean():.4f}")
        if k < 2:
            known = state[..., k] >= 0
            p = torch.sigmoid(rows[:, k])
            t = state[..., k] > 0
            print(f"    there: of those there {(p[known & t] > 0.5).float().mean():.3f} seen, of those not {(p[known & ~t] > 0.5).float().mean():.3f}")
    p = smooth(torch.sigmoid(rows[:, 2]) * (state[..., 0] > 0))
    true = row[..., 4] + row[..., 5]
    on = (state[..., 2] > 0) & (state[..., 0] > 0)
    clean = ~(state[..., 2] != 0).any(1)
    score = p.max(1).values
    for share in (0.1, 0.03, 0.01):
        cut = float(score[clean].quantile(1 - share))
        print(f"thickenings, {share:.0%} of {int(clean.sum())} strips without one falsely marked, cut {cut:.3f}:")
        for lo, hi in ((0.5, 0.7), (0.7, 0.9), (0.9, 1.2), (1.2, 1.6), (1.6, 2.5), (2.5, 9)):
            n = hit = 0
            errors = []
            h = torch.where(on, true, -1.0)
            peak = h.argmax(1)
            for i in range(len(h)):
                v = float(h[i, peak[i]])
                if not lo <= v < hi or not 4 <= int(peak[i]) < H - 4:
                    continue
                n += 1
                a = int(peak[i])
                near = p[i, max(0, a - 6):a + 7]
                if float(near.max()) >= cut:
                    hit += 1
                    errors.append(float(rows[i, 3, a] + rows[i, 4, a]) - v)
            if n:
                e = np.array(errors or [0])
                print(f"    {lo}–{hi} mm: {hit}/{n} = {hit / n:.3f}; height error median {np.median(e):+.2f}, |.| p50 {np.median(abs(e)):.2f} p90 {np.quantile(abs(e), 0.9):.2f}")
    q, m = torch.sigmoid(planes[:, 4]), y["line"] > 0
    on = m.flatten(1).sum(1)
    peak = (q * m).flatten(1).max(1).values
    false = (q * ~F.max_pool2d(m[:, None].float(), 5, 1, 2)[:, 0].bool()).flatten(1).max(1).values
    for cut in (0.3, 0.5, 0.7):
        print(f"lines, cut {cut}: {int(((peak > cut) & (on > 6)).sum())} of {int((on > 6).sum())} seen; false on {(false > cut).float().mean():.3f} of strips")


def main():
    a = common.arguments(__doc__, minutes=9, pool=300000)
    a.add_argument("--state", default="", help="file for the weights, to train on from")
    a.add_argument("--from", dest="start", default="", help="such a file")
    a.add_argument("--rate", type=float, default=2e-3)
    a.add_argument("--batch", type=int, default=256)
    a.add_argument("--held", type=int, default=80, help="reads of 32 strips that are not trained on")
    a = a.parse_args()
    dev, g, _ = common.begin(a.seed)
    torch.backends.cudnn.benchmark = True
    net = Cortex().to(dev)
    if a.start:
        net.load_state_dict(torch.load(a.start, map_location=dev))
    net.to(memory_format=torch.channels_last)
    samples = common.Samples(a, "cortex", RECORD, lambda r: common.tensors(r, RECORD.names, dev), dev, held=a.held)

    def loss(t):
        x, y = prepare(t, g)
        with common.fast(dev):
            o = net(x.contiguous(memory_format=torch.channels_last))
        return loss_of(o.float(), y)

    common.train(net, samples, g, a.minutes, a.batch, loss, rate=a.rate, report=400, least=min(2000, 8 * a.batch))
    if a.state:
        torch.save(net.state_dict(), a.state)
    common.export(net, (1, 1, ROWS, COLS), a.out, "strip", "cortex")
    report(net.to(dev), samples.held)


if __name__ == "__main__":
    main()
