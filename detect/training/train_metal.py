#!/usr/bin/env python3
"""Trains the network that marks metal along a shaft (detect/metal.onnx).
Samples: `trainsamples --kind metal`; see common.py.

    python3 train_metal.py --samples ./trainsamples --out metal.pt --minutes 7
    python3 train_metal.py --write metal.pt --out metal.onnx

Output at half the patch's size: six planes of logits, of which the softmax is
the probability of no metal, metal of a nail, a plate, a stem, of another
implant, and of a letter or a scale ball.
"""
import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

import common

ROWS, COLS = 224, 160
CLASSES = 6
NAMES = ["none", "intramedullary", "plate", "stem", "other", "mark"]
RECORD = np.dtype([("image", np.uint8, (ROWS, COLS)), ("label", np.uint8, (ROWS // 2, COLS // 2))])
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
    x = common.stretch(x, on, every=3, least=1e-3)
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
        for t in held:
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
    for k in range(1, 6):
        v = np.array(seen[k])
        print(f"{NAMES[k]}: {len(v)} patches, share of cells seen: mean {v.mean():.3f}, under 0.3: {(v < 0.3).sum()}, none: {(v == 0).sum()}; named {kinds[k, 1:5].tolist()}")
    f = np.array(false)
    print("without metal:", len(f), "patches; with more than 0, 3, 6, 12, 25 cells of metal:", [int((f > c).sum()) for c in (0, 3, 6, 12, 25)], flush=True)


def main():
    a = common.arguments(__doc__, minutes=7, pool=200000, out="metal.pt")
    a.add_argument("--from", dest="start", help="weights of an earlier training, or its ONNX file, to go on from")
    a.add_argument("--write", help="only write these weights as the ONNX file --out")
    a.add_argument("--rate", type=float, help="highest learning rate; default 2e-3, or 1e-3 with --from")
    a.add_argument("--held", type=int, default=40, help="batches of 32 held back for judging")
    a.add_argument("--batch", type=int, default=96)
    a = a.parse_args()
    if a.write:
        common.export(Metal(a.write), (1, 1, ROWS, COLS), a.out, "patch", "metal")
        return
    dev, g, rng = common.begin(a.seed)
    samples = common.Samples(a, "metal", RECORD, lambda r: common.tensors(r, ("image", "label"), dev), dev, held=a.held)
    net = Metal(a.start).to(dev)

    def loss(t):
        x, y = prepare(t, g, rng)
        with common.fast(dev):
            o = net(x)
        return loss_of(o.float(), y)

    common.train(net, samples, g, a.minutes, a.batch, loss, rate=a.rate or (1e-3 if a.start else 2e-3), least=min(1000, a.pool))
    common.keep(net, a.out)
    judge(net, samples.held, dev)


if __name__ == "__main__":
    main()
