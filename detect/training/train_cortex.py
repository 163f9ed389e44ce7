#!/usr/bin/env python3
"""Trains the network that traces the lateral cortex on a straightened strip and
marks focal thickenings and lucent lines (detect/cortex.onnx). Samples:
`trainsamples --kind cortex`, see common.py, and those that tubes.py draws.

    python3 train_cortex.py --samples ./trainsamples --meshes ./meshes --out cortex.onnx --minutes 9

The strip: 384 rows of 0.5 mm along the shaft, 112 columns of 0.2 mm from lateral
to medial. Output, one vector: planes of half that size each way,
  0 logits of the outer edge's column, row by row      1 of the inner edge's
  2, 3 the same of the bone without focal thickenings  4 logit of a lucent line
then for each row of the planes (1 mm)
  0, 1 logits that the outer, the inner edge is there to see
  2 logit that a thickening of 0.5 mm or more covers it
  3, 4 its outer and inner height in mm                5, 6 log of their spread
  7 the way to its peak in cm, + distal                8 log of its spread
"""
import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

import common
import process
import tubes
from common import block

ROWS, COLS = 384, 112
H, W = ROWS // 2, COLS // 2
PLANES, PER_ROW = 5, 9
ACROSS = 0.2  # mm, a column of the picture
WIDTHS = [16, 40, 64, 80]
SIGMA = 0.75  # of an edge's target, columns of the planes
RECORD = np.dtype([("image", np.uint8, (ROWS, COLS)), ("line", np.uint8, (H, W)), ("row", "<f4", (H, 7)), ("state", np.int8, (H, 3))])


def tall(a, b, size, stride=1, apart=1):
    return nn.Sequential(nn.Conv2d(a, b, size, stride, (apart * (size[0] // 2), size[1] // 2), (apart, 1), bias=False), nn.BatchNorm2d(b), nn.ReLU(inplace=True))


class Cortex(nn.Module):
    """A small U-Net whose skips are added; its deepest part sees the whole length."""

    def __init__(self):
        super().__init__()
        w = WIDTHS
        self.stem = tall(1, w[0], (5, 5), 2)
        self.down = nn.ModuleList([block(w[0], w[0])] + [
            nn.Sequential(block(w[i], w[i + 1], 2), block(w[i + 1], w[i + 1])) for i in range(3)])
        self.deep = nn.Sequential(tall(w[3], w[3], (3, 3), (2, 1)), tall(w[3], w[3], (5, 3)), tall(w[3], w[3], (5, 3)))
        self.far = nn.Sequential(tall(w[3], w[3], (5, 3), apart=2), nn.Conv2d(w[3], w[3], 1))
        nn.init.zeros_(self.far[1].weight), nn.init.zeros_(self.far[1].bias)
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
        deep = self.deep(x)
        x = self.same(x + F.interpolate(deep + self.far(deep), scale_factor=(2, 1), mode="nearest"))
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


def smooth_noise(b, n, least, most, g, low=0.0):
    """Noise of unit variance, batch × n, whose waves are no shorter than a length drawn for each between least and most (in samples)."""
    dev = g.device
    f = torch.fft.rfftfreq(n, device=dev)
    length = least * (most / least) ** torch.rand(b, 1, generator=g, device=dev)
    z = torch.fft.rfft(torch.randn(b, n, generator=g, device=dev)) * torch.exp(-(f * length) ** 2) * (f >= low)
    v = torch.fft.irfft(z, n)
    return v / v.std(1, keepdim=True).clamp(min=1e-4)


def bend(t, g):
    """Bends and stretches a batch, and gives its inner edges a relief of their own, the labels with them."""
    x, line, row, state = t["image"].float() / 255, t["line"], t["row"], t["state"]
    b, dev = x.shape[0], x.device
    r = lambda *size: torch.rand(b, *(size or (1,)), generator=g, device=dev)
    # Rows: a part of the strip, made longer, or upside down.
    part = torch.where(r() < 0.5, torch.exp(-0.3 * r()), 1.0)
    start = (1 - part) * (ROWS - 1) * r()
    flip = r() < 0.15
    k = torch.arange(H, device=dev).float()[None]
    at = start + (2 * k + 0.5) * part
    at = torch.where(flip, ROWS - 1 - at, at)
    at = ((at - 0.5) / 2).clamp(0, H - 1)
    lo = at.floor().long().clamp(max=H - 2)
    f = (at - lo)[..., None]
    take = lambda v, i: v.gather(1, i[..., None].expand(-1, -1, v.shape[2]))
    near = at.round().long()
    peak = (take(row[..., 6:], near)[..., 0] + near - at) / part * torch.where(flip, -1.0, 1.0)
    row = take(row, lo) * (1 - f) + take(row, lo + 1) * f
    state = take(state, near)
    # Columns: narrower or wider, waves of both edges, a relief of the inner one.
    wide = torch.where(r() < 0.5, torch.exp(0.4 * (r() - 0.5)), 1.0)
    wave = torch.where(r() < 0.5, smooth_noise(b, H, 60, 300, g) * 5 * r() ** 2, 0) + torch.where(r() < 0.3, smooth_noise(b, H, 15, 60, g) * r() ** 2, 0)
    v = smooth_noise(b, H, 3, 70, g)
    kind = torch.randint(0, 5, (b, 1), generator=g, device=dev)
    v = torch.where(kind == 1, 1.65 * (v.abs() - 0.8), torch.where(kind == 2, 1.65 * (0.8 - v.abs()), torch.where(kind == 3, 2 * ((v - 0.6).clamp(min=0) - 0.17), v)))
    relief = torch.where(r() < 0.45, v * 0.12 * (14 ** r()), 0)  # columns: 0.024 to 0.35 mm
    o, i = row[..., 0], row[..., 1]
    wall = torch.nan_to_num((i - o).clamp(min=1), nan=1.0)
    relief = torch.where(torch.isnan(i - o), 0, torch.maximum(relief, 3 - wall).clamp(max=15).where(wall > 3, torch.zeros_like(wall)))
    up = lambda v: F.interpolate(v[:, None], size=ROWS, mode="linear", align_corners=False)[:, 0, :, None]
    xx = torch.arange(COLS, device=dev)[None, None].float()
    # Where a pixel comes from: undo the width, the waves, then the relief between the edges.
    to = 32 + (xx - 32) * wide[..., None] - up(wave)
    o, wall, move = up(torch.nan_to_num(o, nan=-99.0)), up(wall), up(relief)
    depth = (to - o) / (wall + move)
    to = to - move * depth.clamp(0, 1)
    yy = start + torch.arange(ROWS, device=dev)[None].float() * part
    yy = torch.where(flip, ROWS - 1 - yy, yy)[..., None].expand_as(to)
    grid = torch.stack([2 * to / (COLS - 1) - 1, 2 * yy / (ROWS - 1) - 1], 3)
    x = F.grid_sample(x[:, None], grid, mode="bilinear", padding_mode="border", align_corners=True)[:, 0]
    small = (grid[:, ::2, ::2] + grid[:, 1::2, 1::2]) / 2
    line = F.grid_sample(line[:, None].float(), small, mode="nearest", align_corners=False)[:, 0]
    # The labels, the other way round.
    new = lambda col: 32 + (col + wave - 32) / wide
    edges = [new(row[..., 0]), new(row[..., 1] + relief), new(row[..., 2]), new(row[..., 3] + relief)]
    row = torch.stack(edges + [row[..., 4] / wide, row[..., 5] / wide, peak], 2)
    return x, line, row, state


def block_coded(x, g):
    """Pictures as coded in blocks of 8 × 8 pixels of about 0.15 mm, coarsely."""
    b, dev = x.shape[0], x.device
    i = torch.arange(8, device=dev).float()
    d = torch.cos((2 * i[None] + 1) * i[:, None] * np.pi / 16) * 0.5
    d[0] *= 0.5 ** 0.5
    h, w = 8 * int(torch.randint(90, 160, (1,), generator=g, device=dev)), 8 * int(torch.randint(14, 24, (1,), generator=g, device=dev))
    y = F.interpolate(x[:, None], size=(h, w), mode="bilinear", align_corners=False)[:, 0]
    y = y.view(b, h // 8, 8, w // 8, 8).permute(0, 1, 3, 2, 4)
    z = d @ y @ d.T
    q = 0.004 * (15 ** torch.rand(b, 1, 1, 1, 1, generator=g, device=dev)) * (1 + 0.5 * (i[:, None] + i[None]))
    y = d.T @ (torch.round(z / q) * q) @ d
    y = y.permute(0, 1, 3, 2, 4).reshape(b, h, w)
    return F.interpolate(y[:, None], size=(ROWS, COLS), mode="area")[:, 0]


def spread_over(x, rows, cols):
    """Mean and standard deviation of pictures around each pixel, over some rows × cols of 8 × 8 pixels."""
    m = F.avg_pool2d(x[:, None], 8)
    q = F.avg_pool2d(x[:, None] ** 2, 8)
    m, q = common.box(m[:, 0], rows, cols), common.box(q[:, 0], rows, cols)
    s = (q - m * m).clamp(min=0).sqrt()
    up = lambda v: F.interpolate(v[:, None], size=(ROWS, COLS), mode="bilinear", align_corners=False)[:, 0]
    return up(m), up(s)


def prepare(t, g):
    """Disturbs a batch; returns pictures and labels."""
    x, line, row, state = bend(t, g)
    b, dev = x.shape[0], x.device
    r = lambda: torch.rand(b, 1, 1, generator=g, device=dev)
    yy, xx = torch.arange(ROWS, device=dev)[None, :, None].float(), torch.arange(COLS, device=dev)[None, None].float()
    # A seam of two exposures, scratches and grids across the film.
    y0, slope = r() * ROWS, (r() - 0.5) * 1.2
    x = x + torch.where(r() < 0.05, (r() - 0.5) * 0.5, 0) * (yy > y0 + slope * xx)
    y0, slope = r() * ROWS, (r() - 0.5) * 3
    x = x + torch.where(r() < 0.1, (r() - 0.6) * 0.6, 0) * ((yy - y0 - slope * xx).abs() < 0.4 + 1.4 * r() ** 2)
    x = x + torch.where(r() < 0.05, r() * 0.08, 0) * torch.sin(yy * (0.3 + 2 * r()) + xx * (r() - 0.5) * 2)
    x = x + torch.where(r() < 0.06, 0.05 * r() ** 2, 0) * torch.randn(b, ROWS, 1, generator=g, device=dev)
    x = x + torch.where(r() < 0.04, 0.04 * r() ** 2, 0) * torch.randn(b, 1, COLS, generator=g, device=dev)
    x = x.clamp(0, 1) ** torch.exp((r() - 0.5) * 1.2)
    steep, middle = 2 + 6 * r(), 0.3 + 0.4 * r()
    x = torch.where(r() < 0.15, torch.sigmoid(steep * (x - middle)), x)
    x = x + (r() - 0.5) * 0.5 * (xx / COLS - 0.5) + (r() - 0.5) * 0.6 * (yy / ROWS - 0.5) + torch.where(r() < 0.3, (r() - 0.5) * 1.2, 0) * (yy / ROWS - 0.5) ** 2
    x = torch.where(r() < 0.2, common.box(x, 1, 3), x)
    x = torch.where(r() < 0.1, common.box(x, 3, 5), x)
    n = b // 10
    x = torch.cat([block_coded(x[:n], g), x[n:]])
    # Processing: one band or several, each with its strength, and what evens out the film.
    low = common.box(x, 7, 17)
    x = torch.where(r() < 0.25, x + 1.5 * r() * (x - low), x)
    x = torch.where(r() < 0.1, x + 2.5 * r() * (x - common.box(x, 3, 5)), x)
    d = x - common.box(x, 13, 31)
    x = torch.where(r() < 0.15, x + 2 * r() * process.bent(d, 0.1, 0.5 + 0.6 * r()), x)
    m, s = spread_over(x, 2 * int(torch.randint(0, 4, (1,), generator=g, device=dev)) + 1, 2 * int(torch.randint(0, 4, (1,), generator=g, device=dev)) + 1)
    kept = r()
    x = torch.where(r() < 0.15, 0.5 + kept * (m - 0.5) + (x - m) * (1 - 0.8 * r() + 0.8 * r() * 0.15 / (s + 0.03)), x)
    noise = torch.randn(x.shape, generator=g, device=dev)
    colour = r()
    noise = torch.where(colour < 0.45, noise, torch.where(colour < 0.8, common.box(noise, 1, 3) * 1.7, common.box(noise, 3, 5) * 3.8))
    x = x + noise * (r() ** 3) * 0.12
    steps = 20 * 12 ** r()
    x = torch.where(r() < 0.08, process.coarse(x, steps), x)
    for _ in range(2):
        on, w, h, l, u = r() < 0.06, 3 + 20 * r(), 2 + 16 * r(), COLS * r(), ROWS * r()
        x = torch.where(on & (xx >= l) & (xx < l + w) & (yy >= u) & (yy < u + h), r() * 1.6 - 0.3, x)
    # Strips that are longer than what there is: one value, or the last row again.
    top, end = torch.where(r() < 0.12, r() * 170, 0).floor(), ROWS - torch.where(r() < 0.12, r() * 170, 0).floor()
    off = (yy < top) | (yy >= end)
    at = torch.minimum(torch.maximum(yy, top), end - 1).long().expand(b, ROWS, COLS)
    x = torch.where(off, torch.where(r() < 0.5, x.gather(1, at), torch.where(r() < 0.7, 0, r()).expand_as(x)), x)
    gone = off[:, ::2, 0] | off[:, 1::2, 0]
    state[..., :2] = torch.where(gone[..., None] & (state[..., :2] > 0), 0, state[..., :2])
    line = torch.where(gone[..., None], 0, line)
    # A strip may be part of a longer one, whose contrast it does not fill.
    part = torch.where(r() < 0.3, 0.55 + 0.45 * r(), 1.0)
    x = common.stretch(x, every=5) * part + (1 - part) * r()
    return x[:, None], {"line": line.float(), "row": row, "state": state, "gone": gone}


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
    focal, asked = state[..., 2] > 0, state[..., 2] > -2
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
        l["bare " + name] = edge_loss(planes[:, 2 + k], bare, weight * asked)
        known = (s >= 0).float()
        there = F.binary_cross_entropy_with_logits(rows[:, k], (s > 0).float(), reduction="none")
        l["there " + name] = 0.3 * (there * known).sum() / (known.sum() + 1)
        h, b = rows[:, 3 + k], rows[:, 5 + k].clamp(-3.5, 1.5)
        nll = (h - row[..., 4 + k]).abs() * torch.exp(-b) + b
        weight = (s > 0) * more * asked
        l["height " + name] = 0.4 * (nll * weight).sum() / (weight.sum() + 1)
    peak, b = row[..., 6] / 10, rows[:, 8].clamp(-3.5, 1.5)
    weight = (focal & seen[0] & ~torch.isnan(peak)).float()
    off = (rows[:, 7] - torch.nan_to_num(peak)).abs()
    l["peak"] = 0.2 * ((off * torch.exp(-b) + b) * weight).sum() / (weight.sum() + 1)
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


def found(p, row, state, rows=None):
    """Prints which thickenings the probabilities p find, strips × H, and how near the numbers of the rows come."""
    true = row[..., 4] + row[..., 5]
    on = (state[..., 2] > 0) & (state[..., 0] > 0)
    inside = (state[..., 1] > 0).float().mean(1) > 0.6  # strips whose inner edge shows
    clean = ~(state[..., 2] != 0).any(1) & inside
    score = p.max(1).values
    h = torch.where(on, true, -1.0)
    top, peak = h.max(1)
    share = row[..., 4].gather(1, peak[:, None])[:, 0] / top
    seen = state[..., 1].gather(1, peak[:, None])[:, 0] > 0
    usable = (peak >= 4) & (peak < H - 4) & seen & inside
    near = F.max_pool1d(p[:, None], 13, 1, 6)[:, 0].gather(1, peak[:, None])[:, 0]
    for false in (0.1, 0.03, 0.01):
        cut = float(score[clean].quantile(1 - false))
        print(f"thickenings, {false:.0%} of {int(clean.sum())} strips without one falsely marked, cut {cut:.3f}:")
        for lo, hi in ((0.5, 0.7), (0.7, 0.9), (0.9, 1.2), (1.2, 1.6), (1.6, 2.5), (2.5, 9)):
            text = []
            for name, kind in (("all", share > -9), ("endosteal", share < 0.25), ("both", (share >= 0.25) & (share < 0.75)), ("periosteal", share >= 0.75)):
                q = usable & kind & (top >= lo) & (top < hi)
                hit = q & (near >= cut)
                if q.any():
                    text.append(f"{name} {int(hit.sum())}/{int(q.sum())} = {hit.sum() / q.sum():.3f}")
            q = usable & (top >= lo) & (top < hi) & (near >= cut)
            if rows is not None and q.any():
                at = peak[q][:, None]
                e = (rows[q][:, 3] + rows[q][:, 4]).gather(1, at)[:, 0] - top[q]
                # The peak by the mean over the marked rows around it, of what each says.
                k = torch.arange(H, device=p.device)[None].float()
                w = p[q] * ((k - at).abs() <= 15) * torch.exp(-rows[q][:, 8].clamp(-3.5, 1.5)) ** 2
                level = (w * (k + 10 * rows[q][:, 7])).sum(1) / w.sum(1) - at[:, 0]
                high = torch.where((k - at).abs() <= 15, rows[q][:, 3] + rows[q][:, 4], -1.0).argmax(1) - at[:, 0]
                text.append(f"height error median {e.median():+.2f}, |.| p50 {e.abs().median():.2f} p90 {e.abs().quantile(0.9):.2f}")
                text.append(f"level off over 3 mm {(level.abs() > 3).float().mean():.2f}, by the highest row {(high.abs() > 3).float().mean():.2f}")
            if text:
                print(f"    {lo}–{hi} mm: " + "; ".join(text))


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
    found(smooth(torch.sigmoid(rows[:, 2]) * (state[..., 0] > 0)), row, state, rows)
    q, m = torch.sigmoid(planes[:, 4]), y["line"] > 0
    on = m.flatten(1).sum(1)
    peak = (q * m).flatten(1).max(1).values
    false = (q * ~F.max_pool2d(m[:, None].float(), 5, 1, 2)[:, 0].bool()).flatten(1).max(1).values
    for cut in (0.3, 0.5, 0.7):
        print(f"lines, cut {cut}: {int(((peak > cut) & (on > 6)).sum())} of {int((on > 6).sum())} seen; false on {(false > cut).float().mean():.3f} of strips")


PAUSE = 8  # steps


class Mixed:
    """The simulator's strips and those of tubes, a share of each batch: fresh ones are drawn every PAUSE steps and kept in a pool of that size."""

    def __init__(self, samples, share, fresh, pool, g):
        self.samples, self.share, self.fresh, self.g = samples, share, fresh, g
        self.held = [tubes.strips(common.READ, g) for _ in range(len(samples.held))]  # never trained on
        self.pool = {k: v.new_empty(pool, *v.shape[1:]) for k, v in self.held[0].items()}
        self.size, self.filled, self.at, self.steps = pool, 0, 0, 0

    @property
    def drawn(self):
        return self.samples.drawn

    def draw(self, n):
        at = torch.arange(self.at, self.at + n, device=self.g.device) % self.size
        for k, v in tubes.strips(n, self.g).items():
            self.pool[k][at] = v
        self.at, self.filled = (self.at + n) % self.size, min(self.size, self.filled + n)

    def top_up(self, least):
        while self.filled < least:
            self.draw(self.fresh)
        self.samples.top_up(least)
        self.steps += 1
        if self.steps % PAUSE == 0:
            self.draw(self.fresh)

    def pick(self, n, g):
        m = int(n * self.share)
        at = torch.randint(0, self.filled, (m,), generator=g, device=g.device)
        t = self.samples.pick(n - m, g)
        order = torch.randperm(n, generator=g, device=g.device)
        return {k: torch.cat([v[at], t[k]])[order] for k, v in self.pool.items()}


def load(net, old):
    """Takes weights over, also of a network that had fewer numbers by row."""
    now = net.state_dict()
    for k, v in old.items():
        if v.shape == now[k].shape:
            now[k].copy_(v)
        else:
            now[k][:len(v)].copy_(v)


def main():
    a = common.arguments(__doc__, minutes=9, pool=300000)
    a.add_argument("--state", default="", help="file for the weights, to train on from")
    a.add_argument("--from", dest="start", default="", help="such a file")
    a.add_argument("--rate", type=float, default=2e-3)
    a.add_argument("--batch", type=int, default=256)
    a.add_argument("--held", type=int, default=80, help="reads of 32 strips that are not trained on")
    a.add_argument("--tubes", type=float, default=0.5, help="share of the strips that are drawn on the device")
    a.add_argument("--fresh", type=int, default=128, help=f"so many of them anew every {PAUSE} steps")
    a = a.parse_args()
    dev, g, _ = common.begin(a.seed)
    torch.backends.cudnn.benchmark = True
    net = Cortex().to(dev)
    if a.start:
        load(net, torch.load(a.start, map_location=dev))
    net.to(memory_format=torch.channels_last)
    samples = common.Samples(a, "cortex", RECORD, lambda r: common.tensors(r, RECORD.names, dev), dev, held=a.held)

    def loss(t):
        x, y = prepare(t, g)
        with common.fast(dev):
            o = net(x.contiguous(memory_format=torch.channels_last))
        return loss_of(o.float(), y)

    mixed = Mixed(samples, a.tubes, a.fresh, a.pool // 6, g)
    common.train(net, mixed, g, a.minutes, a.batch, loss, rate=a.rate, report=200, least=min(2000, 8 * a.batch))
    if a.state:
        torch.save(net.state_dict(), a.state)
    common.export(net, (1, 1, ROWS, COLS), a.out, "strip", "cortex")
    for name, held in (("the simulator's strips", samples.held), ("strips of tubes", mixed.held)):
        print(name)
        report(net.to(dev), held)


if __name__ == "__main__":
    main()
