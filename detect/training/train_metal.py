#!/usr/bin/env python3
"""Trains a network that marks metal along a shaft (detect/metal.onnx, detect/metal_again.onnx).
Samples: `trainsamples --kind metal`, layers of which pictures are made here; see common.py.

    python3 train_metal.py --samples ./trainsamples --meshes ./meshes --out one.pt another.pt --from new metal_again.onnx --minutes 8
    python3 train_metal.py --write one.pt --out metal.onnx

As many networks are trained side by side, on the same pictures, as --out names.

Output at half the patch's size: six planes of logits, of which the softmax is
the probability of no metal, metal of a nail, a plate, a stem, of another
implant, and of a letter, a scale ball or something worn.
"""
import math

import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

import common
import process

ROWS, COLS = 224, 160
CLASSES, MARK = 6, 5
NAMES = ["none", "intramedullary", "plate", "stem", "other", "mark"]
RECORD = np.dtype([("body", "<i2", (ROWS, COLS)), ("metal", np.uint8, (ROWS, COLS)), ("worn", np.uint8, (ROWS, COLS)), ("kind", np.uint8)])
BODY, METAL, WORN = 2000, 40, 100  # units of the layers, as trainsamples has them
SEEN = 0.04  # attenuation from which something is metal
WIDTHS = [16, 32, 56, 88, 112]


class Metal(nn.Module):
    """With the weights that an earlier training kept or exported (ONNX), if there are any."""

    def __init__(self, start=None):
        super().__init__()
        exported = bool(start) and start.endswith(".onnx")
        weights = common.kept(start) if start and not exported else {}
        self.net = common.UNet(1, WIDTHS, norm=not start or not exported and not common.folded(weights, "net.stem"))
        self.head = nn.Conv2d(WIDTHS[0], CLASSES, 1)
        if exported:
            common.unfold(self, start)
        elif start:
            self.load_state_dict(weights)

    def convolutions(self):
        return self.net.convolutions() + [self.head]

    def forward(self, x):
        return self.head(self.net(x)[0])


class Painter:
    """Makes pictures of layers: lays any metal and any letters over any body, exposes, processes, scratches and crops them."""

    def __init__(self, g, rng):
        self.g, self.rng, self.dev = g, rng, g.device
        self.x = torch.arange(COLS, device=self.dev).float()[None, None]
        self.y = torch.arange(ROWS, device=self.dev).float()[None, :, None]

    def r(self, *s):
        return torch.rand(*s, generator=self.g, device=self.dev)

    def n(self, *s):
        return torch.randn(*s, generator=self.g, device=self.dev)

    def even(self, lo, hi):
        return lo + (hi - lo) * self.r(self.b, 1, 1)

    def wide(self, lo, hi):
        return torch.exp(self.even(math.log(lo), math.log(hi)))

    def some(self, share):
        return (self.r(self.b, 1, 1) < share).float()

    def smooth(self, cells):
        """Noise of unit variance that varies over the patch in so many cells."""
        v = self.n(self.b, 1, cells, max(2, cells * 3 // 4))
        v = F.interpolate(v, (ROWS, COLS), mode="bicubic", align_corners=False)[:, 0]
        return v / v.std((1, 2), keepdim=True).clamp(min=0.2)

    def turned(self, layer):
        """The layer of another sample, moved, turned and scaled at random."""
        a, k = 2 * math.pi * self.r(self.b), torch.exp((self.r(self.b) - 0.5) * 0.7)
        s, c, q = torch.sin(a) / k, torch.cos(a) / k, ROWS / COLS
        m = torch.stack([torch.stack([c, -s * q, self.r(self.b) - 0.5], 1), torch.stack([s / q, c, self.r(self.b) - 0.5], 1)], 1)
        at = F.affine_grid(m, (self.b, 1, ROWS, COLS), align_corners=False)
        return F.grid_sample(layer[torch.randperm(self.b, generator=self.g, device=self.dev)][:, None], at, align_corners=False)[:, 0]

    def growths(self):
        """Attenuation of what is dense and no metal: calcified vessels, spots, new bone."""
        out = 0
        vessel = self.even(0, COLS) + self.even(-0.4, 0.4) * (self.y - ROWS / 2) + self.even(0, 12) * torch.sin(self.y / self.wide(6, 40) + self.even(0, 6))
        d, w, soft = (self.x - vessel).abs(), self.even(1.5, 4.5), self.even(0.4, 1.2)
        out = out + self.some(0.12) * self.wide(0.05, 0.5) * torch.exp(-((d - w) / soft) ** 2 / 2) * (self.smooth(24) + self.even(-0.5, 1)).clamp(0, 1)
        for _ in range(4):
            e = torch.sqrt(((self.x - self.even(0, COLS)) * self.even(0.6, 1.6)) ** 2 + (self.y - self.even(0, ROWS)) ** 2)
            out = out + self.some(0.06) * self.even(0.05, 0.7) * torch.sigmoid((self.wide(0.8, 7) - e) / self.even(0.3, 1.5))
        out = out + self.some(0.08) * self.wide(0.1, 0.8) * ((self.smooth(8) - self.even(0.5, 1.5)).clamp(min=0) * 2).clamp(max=1)
        return out

    def expose(self, mu):
        """What the detector shows of an attenuation, as attenuation again."""
        e = torch.exp(-mu)
        e = e + self.wide(0.03, 2.5) * common.box(e, 61, 45) + self.some(0.3) * self.wide(0.01, 0.3) * common.box(e, 7, 7)
        soft = self.even(0, 0.25)
        around = common.box(e, 3, 3)
        e = torch.where(self.some(0.7) > 0, e + 3 * soft * (around - e), e)
        e = process.quanta(e, self.n(*e.shape), self.wide(0.002, 0.08)).clamp(min=1e-5)
        linear = 1 - e / torch.quantile(e.flatten(1)[:, ::5], 0.98, dim=1)[:, None, None]
        return torch.where(self.some(0.1) > 0, linear, -torch.log(e))

    def process(self, v):
        """The picture, 0 … 1, that a vendor, a viewer or a scanner makes of it."""
        for size, share, most in ((3, 0.2, 2.0), (9, 0.3, 1.5), (21, 0.25, 1.2), (57, 0.3, 2.0)):
            v = v + self.some(share) * self.even(0, most) * (v - common.box(v, size, size))
        q = torch.quantile(v.flatten(1)[:, ::5], torch.tensor([0.01, 0.5, 0.98], device=self.dev), dim=1)[:, :, None, None]
        lo, hi = q[0] + (q[1] - q[0]) * self.even(-1, 0.5) * self.some(0.8), q[2] + (q[2] - q[1]) * self.even(-0.5, 2) * self.some(0.8)
        v = (v - lo) / (hi - lo).clamp(min=0.05)
        k = self.even(2, 8)
        v = torch.where(self.some(0.4) > 0, torch.sigmoid(k * (v - 0.5)), v)
        v = torch.where(self.some(0.7) > 0, v.clamp(0, 1), v.clamp(-1, 2) * 0.33 + 0.33)
        v = v.clamp(0, 1) ** self.wide(0.45, 2.2)
        alike = process.alike(v, lambda x: common.box(x, 41, 41), self.even(0, 0.7))
        v = torch.where(self.some(0.12) > 0, v + self.even(0.3, 1) * (alike - v), v)
        coarse = process.coarse(v, self.wide(12, 90))
        return torch.where(self.some(0.06) > 0, coarse, v)

    def scratch(self, v):
        """Dust, scratches and lines of a grid on a picture."""
        film = self.some(0.2)
        for _ in range(5):
            a, ox, oy = self.even(0, math.pi), self.x - self.even(0, COLS), self.y - self.even(0, ROWS)
            along, across = ox * torch.cos(a) + oy * torch.sin(a), oy * torch.cos(a) - ox * torch.sin(a) + self.even(-0.004, 0.004) * (ox ** 2 + oy ** 2) ** 0.5
            line = ((self.wide(0.3, 1) - across.abs()) * 1.5 + 0.5).clamp(0, 1) * torch.sigmoid(self.wide(3, 90) - along.abs())
            v = v + film * self.some(0.5) * self.even(-0.8, 0.8) * line
        dots = (self.r(*v.shape) < film * self.wide(1e-4, 4e-3)).float()
        grown = F.max_pool2d(dots[:, None], 3, 1, 1)[:, 0] * self.even(0.2, 0.9)
        v = v + torch.where(self.some(0.5) > 0, torch.maximum(dots, grown), dots) * self.even(-0.9, 0.9)
        return v + self.some(0.05) * 0.03 * torch.sin(self.x * self.even(1, 3))

    def beyond(self, share):
        """A half-plane of the patch, in a share of them; mostly near its border."""
        a = torch.where(self.some(0.6) > 0, torch.round(self.even(0, 4)) * (math.pi / 2) + self.even(-0.12, 0.12), self.even(0, 2 * math.pi))
        d = (self.x - COLS / 2) * torch.cos(a) + (self.y - ROWS / 2) * torch.sin(a)
        reach = (torch.cos(a) * COLS / 2).abs() + (torch.sin(a) * ROWS / 2).abs()
        return (d > reach * self.even(0.15, 1)) & (self.some(share) > 0)

    def __call__(self, t):
        """The pictures, contrast stretched, and the labels of a batch."""
        self.b = t["body"].shape[0]
        body, kind = t["body"].float() / BODY, t["kind"].long()
        metal, worn = (t["metal"].float() / METAL) ** 2, (t["worn"].float() / WORN) ** 2
        # Some bodies without an implant get that of another.
        order = torch.randperm(self.b, generator=self.g, device=self.dev)
        other = torch.flip(metal[order], [d for d in (-1, -2) if self.rng.random() < 0.5])
        swap = (kind == 0) & (self.r(self.b) < 0.35)
        metal, kind = torch.where(swap[:, None, None], other, metal), torch.where(swap, kind[order], kind)
        metal = metal * self.wide(0.12, 1.3)
        # A whole implant may be missing: then the place looks like it, but for the metal.
        gone = (self.r(self.b) < 0.12)[:, None, None]
        metal = torch.where(gone, torch.zeros_like(metal), metal)
        dense = self.wide(0.25, 1.6)
        stamp = self.turned(worn)
        worn = (self.some(0.75) * self.turned(worn) + self.some(0.25) * self.turned(worn)) * dense
        mu = self.even(0.7, 1.3) * body + self.some(0.5) * self.even(0, 0.4) * self.smooth(4) + self.growths()
        v = self.process(self.expose((mu + metal + worn).clamp(min=0)))
        written = (stamp * 4).clamp(0, 1) * self.some(0.2)
        tone = torch.where(self.some(0.3) > 0, self.even(0, 1), self.some(0.75))
        v = self.scratch(v + written * (tone - v))
        label = torch.where(F.max_pool2d(metal[:, None], 2)[:, 0] > SEEN, kind[:, None, None], 0)
        marked = F.max_pool2d(torch.maximum(worn, written)[:, None], 2)[:, 0] > SEEN
        label = torch.where(marked & (label == 0), MARK, label)
        shut = self.beyond(0.12) | self.beyond(0.12)
        v = torch.where(shut, torch.where(self.some(0.4) > 0, self.even(0, 1), self.some(0.4)).expand_as(v), v)
        off = self.beyond(0.12) | self.beyond(0.08)
        hidden = (shut | off)[:, ::2, ::2]
        label = torch.where(hidden, 0, label)
        v = common.stretch(torch.nan_to_num(v), ~off, every=3, least=1e-3)
        dims = [d for d in (-1, -2) if self.rng.random() < (0.5 if d == -1 else 0.2)]
        if dims:
            v, label = torch.flip(v, dims), torch.flip(label, dims)
        return v[:, None], label


def loss_of(o, label):
    weight = torch.tensor([1.0, 2, 2, 2, 3, 2], device=o.device)
    l = F.cross_entropy(o, label, weight=weight)
    # Metal or not, whatever its kind.
    p = torch.softmax(o, 1)
    metal, true = p[:, 1:MARK].sum(1), ((label > 0) & (label < MARK)).float()
    dice = 1 - (2 * (metal * true).sum((1, 2)) + 3) / ((metal + true).sum((1, 2)) + 3)
    return 3 * l + 0.5 * dice.mean()


def judge(net, held, dev):
    """Prints how much metal is seen where there is some and where there is none."""
    g, rng = torch.Generator(device=dev).manual_seed(5), np.random.default_rng(5)
    paint = Painter(g, rng)
    net.eval()
    seen, false, marked, kinds = {k: [] for k in range(1, CLASSES)}, [], [], np.zeros((CLASSES, CLASSES), int)
    with torch.no_grad():
        for t in held:
            x, y = paint(t)
            p = torch.softmax(net(x).float(), 1)
            metal = p[:, 1:MARK].sum(1) > 0.5
            for i in range(len(y)):
                for k in range(1, CLASSES):
                    m = y[i] == k
                    if m.sum() >= 8:
                        hit = (p[i, MARK] > 0.5) if k == MARK else metal[i]
                        seen[k].append(float((hit & m).sum() / m.sum()))
                        if k < MARK and metal[i].sum() > 0:
                            kinds[k, 1 + int((p[i, 1:MARK] * metal[i]).sum((1, 2)).argmax())] += 1
                if not ((y[i] > 0) & (y[i] < MARK)).any():
                    (marked if (y[i] == MARK).any() else false).append(int(metal[i].sum()))
    for k in range(1, CLASSES):
        v = np.array(seen[k])
        print(f"{NAMES[k]}: {len(v)} patches, share of cells seen: mean {v.mean():.3f}, under 0.3: {(v < 0.3).sum()}, none: {(v == 0).sum()}; named {kinds[k, 1:MARK].tolist()}")
    for name, f in (("without metal or marks", np.array(false)), ("with marks alone", np.array(marked))):
        print(f"{name}: {len(f)} patches; with more than 0, 3, 6, 12, 25 cells of metal:", [int((f > c).sum()) for c in (0, 3, 6, 12, 25)], flush=True)


def main():
    a = common.arguments(__doc__, minutes=7, pool=100000, out=["metal.pt"])
    a.add_argument("--from", dest="start", nargs="+", default=["new"],
                   help="for each network the weights of an earlier training, or its ONNX file, to go on from, or new")
    a.add_argument("--write", help="only write these weights as the ONNX file --out")
    a.add_argument("--rate", type=float, default=2e-3, help="highest learning rate")
    a.add_argument("--pace", type=float, default=0.4, help="by which the rate of a network that goes on is multiplied")
    a.add_argument("--held", type=int, default=40, help="batches of 32 held back for judging")
    a.add_argument("--batch", type=int, default=96)
    a = a.parse_args()
    if a.write:
        common.export(Metal(a.write), (1, 1, ROWS, COLS), a.out[0], "patch", "metal")
        return
    dev, g, rng = common.begin(a.seed)
    samples = common.Samples(a, "metal", RECORD, lambda r: common.tensors(r, ("body", "metal", "worn", "kind"), dev), dev, held=a.held)
    nets = nn.ModuleList([Metal(None if start == "new" else start) for start in a.start]).to(dev)
    paint = Painter(g, rng)

    def loss(t):
        with torch.no_grad():
            x, y = paint(t)
        with common.fast(dev):
            out = [net(x) for net in nets]
        return {str(i): loss_of(o.float(), y) for i, o in enumerate(out)}

    paced = [{"params": net.parameters(), "pace": 1 if start == "new" else a.pace} for net, start in zip(nets, a.start)]
    common.train(nets, samples, g, a.minutes, a.batch, loss, rate=a.rate, least=min(1000, a.pool), paced=paced)
    for net, out in zip(nets, a.out):
        common.keep(net, out)
        print(out)
        judge(net, samples.held, dev)


if __name__ == "__main__":
    main()
