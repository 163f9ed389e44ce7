#!/usr/bin/env python3
"""Trains the networks that look at a coarse film, together: the one that marks
femurs (detect/locate.onnx) and two that tell a femur's shaft from whatever else the
first took for one (detect/recognise.onnx, detect/recognise_again.onnx), so that
these learn from its mistakes.

Samples: `trainsamples --kind film`; see common.py, and README.md for the
whole recipe.

    python3 train.py --samples ./trainsamples --meshes ./meshes --out films.pt --minutes 8
    python3 train.py --samples ./trainsamples --meshes ./meshes --from films.pt --out films.pt --minutes 8 --seed 2
    python3 train.py --write films.pt --out ..

Input of the first: the film with its contrast stretched, and its contrast made alike
everywhere (local). Planes of its output, each a logit or a number at half the size:
  0 shaft          1 femur           2,3 proximal direction (x, y)
  4 lateral or anterior lies clockwise of proximal
  5 AP view        6… landmarks (heat, peak 1)

Input of the others: the same two planes; the probability of shaft that the first
gives; ln(mm a pixel over USUAL), 0 where no scale is known; 1 where a scale is
known. Output, at an eighth of the size: the logit that what looks like a shaft
there is a femur's.
"""
import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

import common
import process

SIZE = 256
HALF = SIZE // 2
PLANES = 6  # before the landmarks
LANDMARKS = ["lesser_trochanter", "head_centre", "neck_centre", "greater_trochanter",
             "condyle_lateral", "condyle_medial", "knee_centre"]
WIDTHS = [12, 24, 48, 96, 160]
TELL = [16, 32, 64, 96, 128]

# One record of the stream; see cmd/trainsamples.
RECORD = np.dtype([
    ("image", np.uint8, (SIZE, SIZE)),
    ("shaft", np.uint8, (HALF, HALF)),
    ("femur", np.uint8, (HALF, HALF)),
    ("dir", np.int8, (2, HALF, HALF)),
    ("sign", np.int8, (HALF, HALF)),
    ("view", np.int8, (HALF, HALF)),
    ("film", "<u4", 4),  # left, top, width, height
    ("count", "<u4"),
    ("marks", "<f4", (16, 3)),  # landmark, x, y in pixels of the planes; the first count
    ("pitch", "<f4"),  # mm a pixel
    ("kind", "<u4"),  # 0 with a femur, else what it shows
])

REACH = 25      # pixels of the square over which contrast is made alike
LEVEL = 0.03    # of the stretched range, added to the spread so that noise is not blown up
CELL = 8        # pixels of the film in one of the recognising output
USUAL = 1.4     # mm a pixel
UNSCALED = 0.25  # share of samples shown without a scale
MAGNIFIED = 1.3  # up to which a header's scale may be smaller than the detector's
ENLARGED = 1.5   # up to which it may be larger on some films without a femur: the width alone makes no femur


class Locate(nn.Module):
    def __init__(self, norm=True):
        super().__init__()
        self.net = common.UNet(2, WIDTHS, deep=2, norm=norm)
        self.head = nn.Conv2d(WIDTHS[0], PLANES + len(LANDMARKS), 1)

    def convolutions(self):
        return self.net.convolutions() + [self.head]

    def forward(self, x):
        return self.head(self.net(x)[0])


class Recognise(nn.Module):
    def __init__(self):
        super().__init__()
        self.net = common.UNet(5, TELL, deep=3, whole=False, up=2)
        self.head = nn.Conv2d(TELL[2], 1, 1)

    def forward(self, x):
        return self.head(self.net(x)[0])


class Films(nn.Module):
    """The three networks, with the weights that an earlier training kept if there are any; the first with those of
    an exported one if that is named."""

    def __init__(self, start=None, exported=None):
        super().__init__()
        weights = common.kept(start) if start else {}
        self.locate = Locate(not exported and (not start or not common.folded(weights, "locate.net.stem")))
        self.tell, self.again = Recognise(), Recognise()
        if start:
            self.load_state_dict({k: v for k, v in weights.items() if not (exported and k.startswith("locate."))}, strict=not exported)
        if exported:
            common.unfold(self.locate, exported)


def local(x, on):
    """x less its mean within REACH pixels, over its spread there; 0 off the film."""
    n = common.flat(on.float(), REACH).clamp(min=1e-6)
    mean = common.flat(torch.where(on, x, 0.0), REACH) / n
    square = common.flat(torch.where(on, x * x, 0.0), REACH) / n
    y = (x - mean) / ((square - mean * mean).clamp(min=0).sqrt() + LEVEL)
    return torch.where(on, y, 0.0).clamp(-3, 3)


def on_film(film):
    """Where on a picture the film is: batch × SIZE × SIZE."""
    yy = torch.arange(SIZE, device=film.device)[None, :, None]
    xx = torch.arange(SIZE, device=film.device)[None, None, :]
    left, top, width, height = (film[:, i, None, None] for i in range(4))
    return (xx >= left) & (xx < left + width) & (yy >= top) & (yy < top + height)


def drawn(y, film, g):
    """Pictures, 0 … 1, with what lies on films and copies of films: frames of white or black, a little askew; rulers;
    lines of small print."""
    b, dev = y.shape[0], y.device
    r = lambda *s: torch.rand(*s, generator=g, device=dev)
    px = torch.arange(SIZE, device=dev).float()
    yy, xx = px[None, :, None], px[None, None, :]
    left, top, width, height = (film[:, i, None, None].float() for i in range(4))
    tone = lambda: torch.where(r(b, 1, 1) < 0.7, 1.0 - 0.1 * r(b, 1, 1), 0.2 * r(b, 1, 1))
    turn = (r(b, 1, 1) - 0.5) * 0.08
    u, v = xx - left - width / 2, yy - top - height / 2
    u, v = u + turn * v, v - turn * u
    edge = lambda: torch.where(r(b, 1, 1) < 0.7, r(b, 1, 1) ** 2 * 0.14, -1.0)
    outside = (u < (edge() - 0.5) * width) | (u > (0.5 - edge()) * width) | (v < (edge() - 0.5) * height) | (v > (0.5 - edge()) * height)
    y = torch.where(outside & (r(b, 1, 1) < 0.35), tone(), y)
    # A ruler along one way or the other.
    along = (r(b, 1, 1) < 0.5).float()
    s, t = along * xx + (1 - along) * yy, along * yy + (1 - along) * xx
    d = (s - r(b, 1, 1) * SIZE) * torch.sign(r(b, 1, 1) - 0.5)
    from_, long, pitch = r(b, 1, 1) * SIZE * 0.5, SIZE * (0.3 + 0.7 * r(b, 1, 1)), 2.5 + 9 * r(b, 1, 1)
    ruler = ((d.abs() < 0.6) | ((t - from_) % pitch < 1) & (d > 0) & (d < 2 + 6 * r(b, 1, 1))) & (t > from_) & (t < from_ + long)
    y = torch.where(ruler & (r(b, 1, 1) < 0.15), y + (tone() - y) * (0.3 + 0.7 * r(b, 1, 1)), y)
    for _ in range(2):
        x0, y0, w, h = r(b, 1, 1) * SIZE, r(b, 1, 1) * SIZE, 8 + 60 * r(b, 1, 1), 2 + 7 * r(b, 1, 1)
        print_ = (r(b, SIZE, SIZE) < 0.5) & (xx > x0) & (xx < x0 + w) & (yy > y0) & (yy < y0 + h)
        y = torch.where(print_ & (r(b, 1, 1) < 0.2), tone(), y)
    return y


def augment(x, film, g):
    """Contrast, noise and patches beyond what the simulator's own processing does."""
    b = x.shape[0]
    dev = x.device
    r = lambda *s: torch.rand(*s, generator=g, device=dev)
    gamma = torch.exp((r(b, 1, 1) - 0.5) * 1.2)
    y = (x / 255).clamp(0, 1) ** gamma
    # A slow shading across the film.
    yy, xx = torch.meshgrid(torch.linspace(-1, 1, SIZE, device=dev), torch.linspace(-1, 1, SIZE, device=dev), indexing="ij")
    y = y + (r(b, 1, 1) - 0.5) * 0.4 * xx + (r(b, 1, 1) - 0.5) * 0.4 * yy
    # Contrast of some width raised or lowered, and the look-up steeper or flatter in the middle, as vendors do.
    for _ in range(2):
        k = int(torch.randint(3, 36, (1,), generator=g, device=dev)) * 2 + 1
        amount = torch.where(r(b, 1, 1) < 0.3, r(b, 1, 1) * 2.2 - 0.7, 0.0)
        y = y + amount * (y - common.box(y, k, k))
    steep = 1 + 6 * r(b, 1, 1)
    y = torch.where(r(b, 1, 1) < 0.25, process.curve(y, steep), y)
    # The same contrast everywhere, in part; edges raised.
    y = torch.where(r(b, 1, 1) < 0.15, y + r(b, 1, 1) * (0.45 + 0.16 * local(y, on_film(film)) - y), y)
    y = torch.where(r(b, 1, 1) < 0.15, y + 2 * r(b, 1, 1) * (y - common.box(y, 5, 5)), y)
    blur = r(b) < 0.15
    if blur.any():
        y[blur] = F.avg_pool2d(y[blur][:, None], 3, 1, 1)[:, 0]
    sharp = r(b) < 0.2
    if sharp.any():
        s = y[sharp][:, None]
        y[sharp] = (s + 1.5 * (s - F.avg_pool2d(s, 9, 1, 4)))[:, 0]
    y = y + torch.randn(y.shape, generator=g, device=dev) * (r(b, 1, 1) ** 3) * 0.15
    # Bars and boxes: letters, clips, burnt corners.
    px = torch.arange(SIZE, device=dev)
    for _ in range(3):
        size, at, on = 3 + r(b, 2, 1) * 30, r(b, 2, 1) * SIZE, r(b, 1, 1) < 0.25
        box = (px >= at) & (px < at + size)
        y = torch.where(on & box[:, 0, :, None] & box[:, 1, None, :], r(b, 1, 1) * 1.6 - 0.3, y)
    return drawn(y, film, g) * 255


def turn(a, k, flip):
    """Turns a batch's last two axes by k quarter turns, after an optional mirror image."""
    if flip:
        a = torch.flip(a, (-1,))
    return torch.rot90(a, k, (-2, -1))


def targets(rec, dev):
    out = common.tensors(rec, ("image", "shaft", "femur", "dir", "sign", "view", "marks"), dev)
    out["pitch"] = torch.from_numpy(np.ascontiguousarray(rec["pitch"])).to(dev)
    out["kind"] = torch.from_numpy(rec["kind"].astype(np.int64)).to(dev)
    out["film"] = torch.from_numpy(rec["film"].astype(np.int64)).to(dev)
    out["count"] = torch.from_numpy(rec["count"].astype(np.int64)).to(dev)
    return out


def prepare(t, g, rng):
    """Turns a raw batch into the network's input and its targets, turned and mirrored at random."""
    k, flip = int(rng.integers(4)), bool(rng.integers(2))
    b = t["image"].shape[0]
    dev = t["image"].device
    on = on_film(t["film"])
    x = common.stretch(augment(t["image"].float(), t["film"], g), on, every=5, least=1)
    x = torch.stack([x, local(x, on)], 1)
    heat = torch.zeros(b, len(LANDMARKS), HALF, HALF, device=dev)
    yy, xx = torch.meshgrid(torch.arange(HALF, device=dev).float(), torch.arange(HALF, device=dev).float(), indexing="ij")
    each = torch.arange(b, device=dev)
    for j in range(int(t["count"].max())):
        m = t["marks"][:, j]
        blob = torch.exp(-((xx - m[:, 1, None, None]) ** 2 + (yy - m[:, 2, None, None]) ** 2) / (2 * 1.5 ** 2))
        blob = blob * (t["count"] > j)[:, None, None]
        kind = m[:, 0].long()
        heat[each, kind] = torch.maximum(heat[each, kind], blob)
    d = t["dir"].float() / 127
    sign = t["sign"].float()
    dx, dy = d[:, 0], d[:, 1]
    if flip:
        dx, sign = -dx, -sign
    # rot90 by k turns counter-clockwise on the screen: (x, y) → (y, −x) each time.
    for _ in range(k):
        dx, dy = dy, -dx
    tr = lambda a: turn(a, k, flip)
    return tr(x), {
        "shaft": tr(t["shaft"].float()), "femur": tr(t["femur"].float()),
        "dx": tr(dx), "dy": tr(dy), "sign": tr(sign), "view": tr(t["view"].float()), "heat": tr(heat)}


def loss_of(o, y):
    bce = F.binary_cross_entropy_with_logits

    def mask(z, m):
        p = torch.sigmoid(z)
        dice = 1 - (2 * (p * m).sum((1, 2)) + 1) / ((p + m).sum((1, 2)) + 1)
        return bce(z, m) + 0.5 * dice.mean()

    f = y["femur"]
    n = f.sum() + 1
    l = {"shaft": 2 * mask(o[:, 0], y["shaft"]), "femur": mask(o[:, 1], f)}
    l["dir"] = (((o[:, 2] - y["dx"]) ** 2 + (o[:, 3] - y["dy"]) ** 2) * f).sum() / n
    known = f * (y["sign"] != 0)
    l["sign"] = (bce(o[:, 4], (y["sign"] > 0).float(), reduction="none") * known).sum() / (known.sum() + 1)
    known = f * (y["view"] > 0)
    l["view"] = (bce(o[:, 5], (y["view"] == 1).float(), reduction="none") * known).sum() / (known.sum() + 1)
    z, h = o[:, PLANES:], y["heat"]
    l["heat"] = 20 * (bce(z, h, reduction="none") * (1 + 60 * h)).mean()
    # Where a landmark is on the film, its plane is also a distribution over places.
    mass = h.sum((2, 3))
    place = -(h * F.log_softmax(z.flatten(2), 2).view_as(z)).sum((2, 3)) / mass.clamp(min=1e-3)
    on = mass > 0.5
    l["place"] = 0.2 * (place * on).sum() / (on.sum() + 1)
    return l


def inputs(x, shaft, y, t, g):
    """A recognising network's input, the weight of each place of its output, and what is true there."""
    b, dev = x.shape[0], x.device
    r = lambda *s: torch.rand(*s, generator=g, device=dev)
    # Sure of more or of less than the first is, so that its rarer mistakes are learnt too.
    p = torch.sigmoid(shaft.float() + 3.5 * r(b, 1, 1) - 1)[:, None]
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


def told_loss(o, weight, true):
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


def judge(net, held, dev, seed, what):
    """Prints the mean losses on the batches held, always turned and changed alike; and, by kind of picture, the
    logits of what was taken for a shaft, the mean of both recognising networks."""
    g, rng = torch.Generator(device=dev).manual_seed(seed), np.random.default_rng(seed)
    was = net.training
    net.eval()
    sums, by = {}, {}
    with torch.no_grad():
        for t in held:
            x, y = prepare(t, g, rng)
            o = net.locate(x)
            l = {k: float(v) for k, v in loss_of(o, y).items()}
            for name, z in (("shaft", o[:, 0]), ("femur", o[:, 1])):
                m = y[name] > 0
                l[name + " IoU"] = float(((z > 0) & m).sum() / (((z > 0) | m).sum() + 1e-6))
            for k, v in l.items():
                sums[k] = sums.get(k, 0) + v / len(held)
            film, weight, true = inputs(x, o[:, 0], y, t, g)
            z = (net.tell(film) + net.again(film))[:, 0] / 2
            for part, name in ((true, "femur"), (1 - true, "other")):
                w = weight * part
                s = w.sum((1, 2))
                mean = (z * w).sum((1, 2)) / s.clamp(min=1e-3)
                for i in range(len(s)):
                    if s[i] > 1.5:
                        kind = int(t["kind"][i])
                        by.setdefault(name if name == "femur" or kind == 0 else f"kind {kind:2d}", []).append(float(mean[i]))
    net.train(was)
    print(what, " ".join(f"{k} {v:.4f}" for k, v in sums.items()), flush=True)
    femur = np.sort(by.pop("femur"))
    cut = np.quantile(femur, [0.005, 0.01, 0.02, 0.05])
    every = np.array([v for k in by for v in by[k]])
    print("  femurs", len(femur), "logit at 0.5, 1, 2, 5 %:", np.round(cut, 2), "below 0, 2, 4:", [int((femur < c).sum()) for c in (0, 2, 4)])
    print("  others", len(every), "above these:", [int((every > c).sum()) for c in cut], "above 0, 2, 4:", [int((every > c).sum()) for c in (0, 2, 4)])
    for k in sorted(by):
        v = np.array(by[k])
        print(f"  {k}: {len(v)}, above {np.round(cut, 1)}: {[int((v > c).sum()) for c in cut]}, highest {v.max():.1f}", flush=True)


def write(paths, folder):
    """Writes the three networks, of the mean of the weights of trainings that went on from one another, as the ONNX
    files that detect reads."""
    net = Films(paths[0])
    with torch.no_grad():
        others = [Films(p).state_dict() for p in paths[1:]]
        for k, v in net.state_dict().items():
            if v.is_floating_point():
                v.copy_((v + sum(o[k] for o in others)) / len(paths))
    common.export(net.locate, (1, 2, SIZE, SIZE), f"{folder}/locate.onnx", "film", "planes")
    common.export(net.tell, (1, 5, SIZE, SIZE), f"{folder}/recognise.onnx", "film", "femur")
    common.export(net.again, (1, 5, SIZE, SIZE), f"{folder}/recognise_again.onnx", "film", "femur")


def main():
    a = common.arguments(__doc__, minutes=8, pool=150000, out="films.pt")
    a.add_argument("--from", dest="start", help="weights of an earlier training to go on from")
    a.add_argument("--exported", help="a locate.onnx for the first to go on from")
    a.add_argument("--rate", type=float, help="highest learning rate; default 2e-3, or 8e-4 with --from")
    a.add_argument("--batch", type=int, default=96)
    a.add_argument("--held", type=int, default=64, help="batches of 32 held back for judging")
    a.add_argument("--pace", type=float, default=1, help="of locate's rate over that of the others")
    a.add_argument("--write", nargs="+", help="only write the ONNX files of the mean of these weights, into the folder --out")
    a = a.parse_args()
    if a.write:
        write(a.write, a.out)
        return
    dev, g, rng = common.begin(a.seed)
    samples = common.Samples(a, "film", RECORD, lambda r: targets(r, dev), dev, held=a.held)
    net = Films(a.start, a.exported).to(dev)
    if a.start:
        judge(net, samples.held, dev, 5, "held out, before:")

    def loss(t):
        x, y = prepare(t, g, rng)
        with common.fast(dev):
            o = net.locate(x)
        l = loss_of(o.float(), y)
        for name in ("tell", "again"):
            film, weight, true = inputs(x, o[:, 0].detach(), y, t, g)
            with common.fast(dev):
                z = getattr(net, name)(film)[:, 0]
            l[name] = told_loss(z.float(), weight, true)
        return l

    told = [*net.tell.parameters(), *net.again.parameters()]
    paced = [{"params": list(net.locate.parameters()), "pace": a.pace}, {"params": told}]
    common.train(net, samples, g, a.minutes, a.batch, loss, rate=a.rate or (8e-4 if a.start else 2e-3), decay=1e-4, least=min(2000, a.pool), paced=paced)
    common.keep(net, a.out)
    judge(net, samples.held, dev, 5, "held out, after:")


if __name__ == "__main__":
    main()
