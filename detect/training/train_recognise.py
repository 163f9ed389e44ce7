#!/usr/bin/env python3
"""Trains the network that tells a femur's shaft from whatever else the locating
network took for one (detect/recognise.onnx, detect/recognise_again.onnx). Samples: `trainsamples --kind bone`;
see common.py.

    python3 train_recognise.py --samples ./trainsamples --locate ../locate.onnx --out recognise.onnx --minutes 7

The locating network runs over every sample, so that its own mistakes are what is
learnt. Planes of the input, each of the film's size: the film as locate.onnx sees
it; the probability of shaft that locate.onnx gives; ln(mm a pixel over USUAL), 0
where no scale is known; 1 where a scale is known. Output, at an eighth of the
size: the logit that what looks like a shaft there is a femur's.
"""
import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

import common
import train
from train import SIZE, load, prepare, targets

RECORD = np.dtype(train.RECORD.descr + [("pitch", "<f4"), ("kind", "<u4")])
WIDTHS = [16, 32, 64, 96, 128]
CELL = 8        # pixels of the film in one of the output
USUAL = 1.4     # mm a pixel
UNSCALED = 0.25  # share of samples shown without a scale
MAGNIFIED = 1.3  # up to which a header's scale may be smaller than the detector's
ENLARGED = 1.5   # up to which it may be larger on some films without a femur: the width alone makes no femur


class Recognise(nn.Module):
    def __init__(self):
        super().__init__()
        self.net = common.UNet(4, WIDTHS, deep=3, whole=False, up=2)
        self.head = nn.Conv2d(WIDTHS[2], 1, 1)

    def forward(self, x):
        return self.head(self.net(x)[0])


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
    wrong = (r(b) < 0.3) & (t["kind"] > 0)
    pitch = pitch + torch.where(wrong, r(b) * float(np.log(ENLARGED)), 0.0)
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
        for t in held:
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
    a = common.arguments(__doc__, minutes=7, pool=150000, out="recognise.onnx")
    a.add_argument("--locate", required=True)
    a = a.parse_args()
    dev, g, rng = common.begin(a.seed)
    locate = load(a.locate).to(dev).eval()
    for v in locate.parameters():
        v.requires_grad_(False)
    samples = common.Samples(a, "bone", RECORD, lambda r: unpack(r, dev), dev, held=64)
    net = Recognise().to(dev)

    def loss(t):
        with common.fast(dev):
            film, weight, true = inputs(locate, t, g, rng)
            o = net(film)[:, 0]
        return loss_of(o.float(), weight, true)

    common.train(net, samples, g, a.minutes, 128, loss)
    judge(net, locate, samples.held, dev)
    common.export(net, (1, 4, SIZE, SIZE), a.out, "film", "femur")


if __name__ == "__main__":
    main()
