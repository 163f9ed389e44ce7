#!/usr/bin/env python3
"""Trains the two networks that look at a hip, detect/hip.onnx and the finer
detect/head.onnx, together. Samples: `trainsamples --kind hip`; see common.py.

    python3 train_hip.py --samples ./trainsamples --meshes ./meshes --out . --minutes 9

The samples are not films but what the beam meets, layer by layer. A film is made of
them here, each time another: another hip's pelvis over this femur, other
densities, beam, noise, processing, marks and borders, laid another way.

Output of the networks: as train_patch.py says.
"""
import math
import os

import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

import common
import process
from process import Draws
from train_patch import KINDS, Patch, judge, losses

SIDE, SOFT = 288, 72  # pixels of the layers
MM = 0.625            # a pixel
RADIUS = 3            # landmarks of the rim, which follow the head's centre

# Rows and columns of a patch, pixels of the layers to one of its own, and its middle from the layers', or where it
# is laid on the head's centre, from that.
FRAMES = {"hip": (112, 112, 2.0, False), "head": (128, 128, 1.0, True)}

SCALES = [(0.8, 1), (2.0, 1), (5.0, 2), (12.0, 4), (30.0, 8), (70.0, 16)]  # spread, pixels, and by how much the picture may be shrunk for it


class Both(nn.Module):
    def __init__(self):
        super().__init__()
        self.hip, self.head = Patch("hip"), Patch("head")


def smooth(x, spread, shrink):
    """Pictures (batch × rows × columns) blurred by a Gaussian."""
    n = x.shape[-1]
    y = F.avg_pool2d(x[:, None], shrink) if shrink > 1 else x[:, None]
    s = spread / shrink
    k = torch.arange(-math.ceil(3 * s), math.ceil(3 * s) + 1, device=x.device)
    k = torch.exp(-k.float() ** 2 / (2 * s * s))
    k, m = k / k.sum(), len(k) // 2
    y = F.conv2d(F.pad(y, (m, m, 0, 0), mode="replicate"), k[None, None, None])
    y = F.conv2d(F.pad(y, (0, 0, m, m), mode="replicate"), k[None, None, :, None])
    return F.interpolate(y, size=(n, n), mode="bilinear", align_corners=False)[:, 0] if shrink > 1 else y[:, 0]


def read(planes, x, y, padding="border"):
    """Planes (batch × planes × rows × columns) at places x, y in pixels."""
    rows, cols = planes.shape[-2:]
    at = torch.stack([(2 * x + 1) / cols - 1, (2 * y + 1) / rows - 1], -1)
    return F.grid_sample(planes, at, mode="bilinear", padding_mode=padding, align_corners=False)


class Film:
    """Makes films of layers."""

    def __init__(self, dev, g, tiles=48):
        self.dev, self.g = dev, g
        self.y, self.x = torch.meshgrid(torch.arange(SIDE, device=dev).float(), torch.arange(SIDE, device=dev).float(), indexing="ij")
        # Tiles of noise, drawn out along the rows to any degree: trabeculae.
        f = torch.fft.fftfreq(SIDE, device=dev)
        white = torch.randn(tiles, SIDE, SIDE, generator=g, device=dev)
        long = torch.exp(torch.linspace(0, math.log(8), tiles, device=dev))[:, None, None]
        wide = (0.5 + 1.5 * self.even(tiles, 1, 1))
        turn = self.even(tiles, 1, 1) * math.pi
        fx, fy = f[None, None] * torch.cos(turn) + f[None, :, None] * torch.sin(turn), f[None, :, None] * torch.cos(turn) - f[None, None] * torch.sin(turn)
        low = torch.exp(-2 * (math.pi * wide) ** 2 * (fx ** 2 + (long * fy) ** 2))
        n = torch.fft.ifft2(torch.fft.fft2(white) * low).real
        self.tiles = n / n.flatten(1).std(1)[:, None, None]

    def even(self, *shape, lo=0.0, hi=1.0):
        return lo + (hi - lo) * torch.rand(*shape, generator=self.g, device=self.dev)

    def noise(self, b):
        t = self.tiles[torch.randint(0, len(self.tiles), (b,), generator=self.g, device=self.dev)]
        dx, dy = torch.randint(0, SIDE, (2,), generator=self.g, device=self.dev).tolist()
        return torch.roll(t, (dx, dy), (1, 2))

    def others(self, over, c, r, known):
        """The overlying bones of another sample, laid around this head."""
        b = len(over)
        j = torch.randperm(b, generator=self.g, device=self.dev)
        zoom = r[j] / r / self.even(b, lo=0.94, hi=1.08)
        turn = self.even(b, lo=-0.3, hi=0.3)
        both = known & known[j]
        zoom, turn = torch.where(both, zoom, torch.ones_like(zoom))[:, None, None], torch.where(both, turn, torch.zeros_like(turn))[:, None, None]
        mid = torch.full_like(c, (SIDE - 1) / 2)
        a, o = torch.where(both[:, None], c, mid), torch.where(both[:, None], c[j], mid)
        shift = self.even(b, 2, lo=-2.5, hi=2.5)
        x, y = self.x - (a[:, 0] + shift[:, 0])[:, None, None], self.y - (a[:, 1] + shift[:, 1])[:, None, None]
        sn, cs = torch.sin(turn), torch.cos(turn)
        return read(over[j][:, None], o[:, 0, None, None] + zoom * (x * cs - y * sn), o[:, 1, None, None] + zoom * (x * sn + y * cs))[:, 0]

    def sector(self, x, y, least, most):
        """A soft mask of the directions within so many radians of a random one."""
        b = len(x)
        d = Draws(b, self.g)
        at, half, soft = d.even(-math.pi, math.pi), d.even(least, most), d.even(0.03, 0.4)
        off = torch.acos(((x * torch.cos(at) + y * torch.sin(at)) / torch.sqrt(x * x + y * y + 1e-3)).clamp(-0.9999, 0.9999))
        return torch.sigmoid((half - off) / soft)

    def cups(self, c, r):
        """mm of dense bone of shells around the head: roofs of every thickness and joint space, and walls and lines that cross it."""
        b = len(c)
        d = Draws(b, self.g)
        out = 0
        for _ in range(2):  # shells
            m = c + self.even(b, 2, lo=-4, hi=4)
            x, y = self.x - m[:, 0, None, None], self.y - m[:, 1, None, None]
            d2 = x * x + y * y
            inner = r[:, None, None] + d.even(-0.5, 8) / MM
            outer = inner + d.wide(0.7, 7) / MM
            chord = torch.sqrt((outer ** 2 - d2).clamp(min=0)) - torch.sqrt((inner ** 2 - d2).clamp(min=0))
            out = out + 2 * MM * chord * self.sector(x, y, 0.5, 2.2) * torch.where(d.chance(0.6), d.wide(0.08, 1), 0 * inner)
        for k in range(4):  # edges and lines along arcs
            near = d.even(15, 160) / MM
            way = d.even(-math.pi, math.pi)
            miss = d.even(-1.3, 1.3) * r[:, None, None]
            x, y = self.x - c[:, 0, None, None] - torch.cos(way) * (near + miss), self.y - c[:, 1, None, None] - torch.sin(way) * (near + miss)
            dist = torch.sqrt(x * x + y * y) - near
            thick = d.wide(0.5, 2.5) / MM
            line = torch.exp(-dist * dist / (2 * thick * thick)) if k % 2 else torch.sigmoid(-dist / thick) * torch.exp(-(dist.clamp(max=0) / 60) ** 2)
            out = out + torch.where(d.chance(0.35), d.wide(0.3, 6), 0 * dist) * line * self.sector(x, y, 0.2, 1.2)
        return out

    def folds(self, b):
        """mm of soft tissue that ends along curves across the picture: folds of skin, the edge of a body or of a cushion."""
        d = Draws(b, self.g)
        out = 0
        for _ in range(2):
            way, near = d.even(-math.pi, math.pi), d.wide(40, 1000) / MM
            x0, y0 = d.even(0, SIDE) + near * torch.cos(way), d.even(0, SIDE) + near * torch.sin(way)
            dist = torch.sqrt((self.x - x0) ** 2 + (self.y - y0) ** 2) - near
            out = out + torch.where(d.chance(0.2), d.even(-50, 50), 0 * near) * torch.sigmoid(-dist / (d.wide(0.5, 20) / MM))
        return out

    def beam(self, t, c, r, known):
        """What is left of the beam, 0 … 1, with scatter, blur and noise."""
        b = len(c)
        d = Draws(b, self.g)
        p = t["planes"].float() / 256
        lum = lambda s: torch.exp(s * d.normal(1, 1))
        cortical, cancellous, over = p[:, 0], p[:, 1], p[:, 2]
        cancellous = cancellous * (1 + d.even(0, 0.6) ** 2 * self.noise(b)).clamp(min=0)
        uneven = torch.exp(d.even(0, 0.3) * F.interpolate(d.normal(1, 9, 9), size=(SIDE, SIDE), mode="bicubic", align_corners=False)[:, 0])
        femur = d.wide(0.024, 0.058) * cortical * lum(0.15) + d.wide(0.003, 0.016) * cancellous * uneven
        own = d.chance(0.25)
        pelvis = torch.where(own, over, self.others(over, c, r, known))
        pelvis = pelvis + torch.where(d.chance(0.2), d.even(0, 1), 0 * d.even(0, 1)) * self.others(over, c, r, known)
        pelvis = pelvis * torch.where(d.chance(0.12), d.even(0, 0.3), lum(0.4)) + self.cups(c, r)
        soft = F.interpolate(t["soft"].float()[:, None] / 64, size=(SIDE, SIDE), mode="bilinear", align_corners=False)[:, 0]
        soft = (soft + self.folds(b)).clamp(min=0)
        mu = (d.even(0.0165, 0.024) * d.even(0.6, 1.1) * soft + femur + 0.04 * pelvis * (1 + d.even(0, 0.3) ** 2 * self.noise(b))).clamp(min=0)
        mu = mu / (1 + d.even(0, 0.07) * mu)
        left = torch.exp(-mu)
        slope = d.even(-0.3, 0.3) * (self.x / SIDE - 0.5) + d.even(-0.3, 0.3) * (self.y / SIDE - 0.5)
        left = left * (1 + slope)
        left = left + d.even(0, 1) * smooth(left, *SCALES[4])
        left = torch.lerp(left, smooth(left, *SCALES[0]), d.even(0, 1))
        left = torch.lerp(left, smooth(left, *SCALES[1]), d.even(0, 1) ** 3 * 0.8)
        grain = d.normal(SIDE, SIDE)
        grain = torch.lerp(grain, 2 * smooth(grain, *SCALES[0]), d.even(0, 1))
        return process.quanta(left, grain, d.wide(0.001, 0.15)).clamp(min=1e-5)

    def processed(self, left):
        """The picture that a maker's processing gives of it, 0 … 1, bone bright."""
        b = len(left)
        d = Draws(b, self.g)
        x = torch.where(d.chance(0.85), -torch.log(left), -left / left.flatten(1).median(1).values[:, None, None])
        lows = [x] + [smooth(x, *s) for s in SCALES]
        plain = d.chance(0.3)
        y = lows[-1] * torch.where(plain, torch.ones_like(plain), d.wide(0.1, 1.2))
        power = torch.where(d.chance(0.3), d.even(0.7, 1.05), torch.ones_like(left[:, :1, :1]))
        tilt = torch.where(d.chance(0.5), d.even(-0.5, 0.7), 0 * power)
        n = len(SCALES)
        for k in range(n):
            band = lows[k] - lows[k + 1]
            band = process.bent(band, 0.1, power)
            gain = torch.exp(tilt * (n / 2 - k) / (n / 2)) * torch.where(d.chance(0.4), d.wide(0.4, 3.5 if k else 2), torch.ones_like(power))
            y = y + band * torch.where(plain, torch.ones_like(gain), gain)
        # Contrast made alike everywhere.
        k = 3 + int(torch.randint(0, 3, (1,), generator=self.g, device=self.dev))
        mean = smooth(y, *SCALES[k])
        spread = torch.sqrt(smooth((y - mean) ** 2, *SCALES[k]))
        whole = (y - y.mean((1, 2), keepdim=True)).flatten(1).std(1)[:, None, None]
        alike = d.even(0, 0.7) * mean + (y - mean) * whole / (spread + d.wide(0.1, 0.6) * whole)
        y = torch.where(d.chance(0.25), torch.lerp(y, alike, d.even(0.3, 1)), y)
        # Window and look-up.
        q = torch.quantile(y[:, ::4, ::4].flatten(1), torch.tensor([0.005, 0.995], device=self.dev), dim=1)
        lo, hi = q[0][:, None, None], q[1][:, None, None]
        narrow = d.chance(0.3)
        a = torch.where(narrow, d.even(0, 0.3), -0.05 + 0 * lo)
        z = torch.where(narrow, d.even(0.7, 1), 1.05 + 0 * lo)
        y = (y - lo) / (hi - lo).clamp(min=1e-4)
        y = (y - a) / (z - a)
        steep = d.wide(2, 9)
        y = torch.where(d.chance(0.3), process.curve(y, steep / 2), y)
        y = y.clamp(0, 1) ** torch.exp(d.even(-0.8, 0.8) * d.chance(0.6))
        levels = torch.where(d.chance(0.1), d.wide(20, 80), 255 + 0 * lo)
        return process.coarse(y, levels)

    def marked(self, y):
        """Letters, rulers and borders over it, and where the field is open."""
        b = len(y)
        d = Draws(b, self.g)
        for _ in range(4):
            w, h = d.wide(1, 30), d.wide(1, 60)
            turn = d.even(0, math.pi)
            x0, y0 = d.even(0, SIDE), d.even(0, SIDE)
            u = (self.x - x0) * torch.cos(turn) + (self.y - y0) * torch.sin(turn)
            v = (self.y - y0) * torch.cos(turn) - (self.x - x0) * torch.sin(turn)
            y = torch.where(d.chance(0.15) & (u.abs() < w) & (v.abs() < h), d.even(-0.2, 1.3), y)
        turn, soft = d.even(0, math.pi), d.wide(0.3, 4)
        x0, y0 = self.x - d.even(0.3, 0.7) * SIDE, self.y - d.even(0.3, 0.7) * SIDE
        u, v = x0 * torch.cos(turn) + y0 * torch.sin(turn), y0 * torch.cos(turn) - x0 * torch.sin(turn)
        depth = torch.minimum(d.even(0.3, 0.75) * SIDE - u.abs(), d.even(0.3, 0.75) * SIDE - v.abs())
        depth = torch.where(d.chance(0.3), depth, 1e3 + 0 * depth)
        fill = torch.where(d.chance(0.6), 0 * soft, d.even(0, 1).round() * d.even(0.3, 1)).expand_as(y)
        fill = torch.where(d.chance(0.3) & (depth > -d.wide(3, 60)), 1 - 0.1 * d.even(0, 1), fill)  # a bright strip along it
        return torch.lerp(fill, y, torch.sigmoid(depth / soft)).clamp(0, 1), depth

    def films(self, t):
        """Films and, of both networks, their patches with the landmarks."""
        m = t["marks"].clone()
        b = len(m)
        c = m[:, 0, 1:]
        known = m[:, 0, 0] > 0
        r = (m[:, 1:1 + RADIUS, 1:] - c[:, None]).norm(dim=2).mean(1)
        c, r = torch.where(known[:, None], c, torch.full_like(c, SIDE / 2)), torch.where(known, r, torch.full_like(r, 24 / MM))
        y, depth = self.marked(self.processed(self.beam(t, c, r, known)))
        turn, scale = self.even(b, lo=-0.1, hi=0.1), self.even(b, lo=0.82, hi=1.2)
        out = {}
        for kind, (rows, cols, pitch, on_head) in FRAMES.items():
            mid = c if on_head else torch.full_like(c, (SIDE - 1) / 2)
            slack = torch.tensor([4.0, 4.0] if on_head else [3.0, 8.0], device=self.dev) / MM
            well = torch.where(self.even(b, 1) < 0.5, 1 / 3, 1.0)
            mid = mid + self.even(b, 2, lo=-1, hi=1) * slack * well
            sn, cs, step = torch.sin(turn)[:, None, None], torch.cos(turn)[:, None, None], (pitch * scale)[:, None, None]
            v, u = torch.meshgrid((torch.arange(2 * rows, device=self.dev) - rows + 0.5) / 2, (torch.arange(2 * cols, device=self.dev) - cols + 0.5) / 2, indexing="ij")
            x, z = mid[:, 0, None, None] + step * (u * cs - v * sn), mid[:, 1, None, None] + step * (u * sn + v * cs)
            image = F.avg_pool2d(read(y[:, None], x, z), 2)[:, 0]
            n = len(KINDS[kind][2])
            d = m[:, :n, 1:] - mid[:, None]
            px = (d[..., 0] * cs[..., 0] + d[..., 1] * sn[..., 0]) / step[..., 0] + (cols - 1) / 2
            py = (d[..., 1] * cs[..., 0] - d[..., 0] * sn[..., 0]) / step[..., 0] + (rows - 1) / 2
            inside = (px >= 0) & (py >= 0) & (px <= cols - 1) & (py <= rows - 1)
            at = m[:, :n, 1:].round().long().clamp(0, SIDE - 1)
            inside &= depth[torch.arange(b, device=self.dev)[:, None], at[..., 1], at[..., 0]] > 0
            state = torch.where(m[:, :n, 0] < 0, m[:, :n, 0], inside.float())
            dull = (image.flatten(1).max(1).values - image.flatten(1).min(1).values) < 0.06
            state = torch.where(dull[:, None] & (state > 0), 0 * state, state)
            out[kind] = (common.stretch(image)[:, None], torch.stack([state, px, py], 2), t["turn"])
        return out


def main():
    a = common.arguments(__doc__, minutes=9, pool=12000)
    a.add_argument("--state", default="", help="file for the weights, to train on from")
    a.add_argument("--from", dest="start", default="", help="such a file")
    a.add_argument("--rate", type=float, default=2e-3)
    a.add_argument("--batch", type=int, default=128)
    a.add_argument("--held", type=int, default=16, help="batches of samples for judging")
    a = a.parse_args()
    record = np.dtype([("planes", "<i2", (3, SIDE, SIDE)), ("soft", "<i2", (SOFT, SOFT)), ("marks", "<f4", (11, 3)), ("turn", "<f4")])
    dev, g, _ = common.begin(a.seed)
    samples = common.Samples(a, "hip", record, lambda r: common.tensors(r, ("planes", "soft", "marks", "turn"), dev), dev, held=a.held)
    net = Both().to(dev)
    if a.start:
        net.load_state_dict(common.kept(a.start))
    film = Film(dev, g)

    def loss(t):
        with torch.no_grad():
            patches = film.films(t)
        out = {}
        for kind, (x, marks, turn) in patches.items():
            with common.fast(dev):
                o = getattr(net, kind)(x)
            out.update({kind + " " + k: v for k, v in losses(o.float(), marks, turn, kind).items()})
        return out

    common.train(net, samples, g, a.minutes, a.batch, loss, rate=a.rate, report=200, least=min(800, a.pool))
    if a.state:
        common.keep(net, a.state)
    with torch.no_grad():
        held = [film.films(t) for t in samples.held]
    for kind, (rows, cols, *_) in FRAMES.items():
        print(kind)
        judge(getattr(net, kind), [h[kind] for h in held], kind)
        common.export(getattr(net, kind), (1, 1, rows, cols), os.path.join(a.out, kind + ".onnx"), "patch", "marks")


if __name__ == "__main__":
    main()
