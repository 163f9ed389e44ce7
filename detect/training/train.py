#!/usr/bin/env python3
"""Trains the network that marks femurs on a coarse film (detect/locate.onnx).

Samples: `trainsamples --kind film`; see common.py, and DEVELOPERS.md for the
whole recipe.

    python3 train.py --samples ./trainsamples --out locate.onnx --minutes 8

A trained network is trained further, at a lower rate, with --from:

    python3 train.py --samples ./trainsamples --from locate.onnx --out finer.onnx --minutes 5

Planes of the output, each a logit or a number at half the input's size:
  0 shaft          1 femur           2,3 proximal direction (x, y)
  4 lateral or anterior lies clockwise of proximal
  5 AP view        6… landmarks (heat, peak 1)
"""
import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

import common

SIZE = 256
HALF = SIZE // 2
PLANES = 6  # before the landmarks
LANDMARKS = ["lesser_trochanter", "head_centre", "neck_centre", "greater_trochanter",
             "condyle_lateral", "condyle_medial", "knee_centre"]
WIDTHS = [12, 24, 48, 96, 160]

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
])


class Locate(nn.Module):
    def __init__(self, norm=True):
        super().__init__()
        self.net = common.UNet(1, WIDTHS, deep=2, norm=norm)
        self.head = nn.Conv2d(WIDTHS[0], PLANES + len(LANDMARKS), 1)

    def convolutions(self):
        return self.net.convolutions() + [self.head]

    def forward(self, x):
        return self.head(self.net(x)[0])


def load(path):
    """The network of an ONNX file that main wrote. Its nodes are in the order of use."""
    import onnx
    from onnx import numpy_helper
    graph = onnx.load(path).graph
    values = {v.name: numpy_helper.to_array(v) for v in graph.initializer}
    net = Locate(norm=False)
    nodes, convs = [n for n in graph.node if n.op_type == "Conv"], net.convolutions()
    if len(nodes) != len(convs):
        raise SystemExit(f"{path}: {len(nodes)} convolutions, want {len(convs)}")
    with torch.no_grad():
        for n, c in zip(nodes, convs):
            if len(n.input) != 3:
                raise SystemExit(f"{path}: {n.name} has no bias")
            for name, p in zip(n.input[1:], (c.weight, c.bias)):
                v = values[name]
                if v.shape != tuple(p.shape):
                    raise SystemExit(f"{path}: {name} is {v.shape}, want {tuple(p.shape)}")
                p.copy_(torch.from_numpy(v.copy()))
    try:
        import onnxruntime
    except ImportError:
        return net
    x = torch.rand(1, 1, SIZE, SIZE)
    want = onnxruntime.InferenceSession(path, providers=["CPUExecutionProvider"]).run(None, {"film": x.numpy()})[0]
    with torch.no_grad():
        off = np.abs(net(x).numpy() - want).max()
    print(f"{path}: read; greatest difference to onnxruntime {off:.2g} of {np.abs(want).max():.2g}", flush=True)
    if not off < 1e-3 * np.abs(want).max():
        raise SystemExit(f"{path}: not the same network")
    return net


# Losses on fresh samples above which a network to start from was not read right.
# A network that knows nothing has: sign and view 0.69, dir 1, place 1.9.
SANE = {"shaft": 1.2, "femur": 1.0, "dir": 0.75, "sign": 0.62, "view": 0.66, "heat": 3.0, "place": 1.6}


def judge(net, held, dev, seed, what):
    """Prints the mean losses on the batches held, always turned and changed alike, and returns them."""
    g, rng = torch.Generator(device=dev).manual_seed(seed), np.random.default_rng(seed)
    was = net.training
    net.eval()
    sums = {}
    with torch.no_grad():
        for t in held:
            x, y = prepare(t, g, rng)
            o = net(x)
            l = {k: float(v) for k, v in loss_of(o, y).items()}
            for name, z in (("shaft", o[:, 0]), ("femur", o[:, 1])):
                m = y[name] > 0
                l[name + " IoU"] = float(((z > 0) & m).sum() / (((z > 0) | m).sum() + 1e-6))
            for k, v in l.items():
                sums[k] = sums.get(k, 0) + v / len(held)
    net.train(was)
    print(what, " ".join(f"{k} {v:.4f}" for k, v in sums.items()), flush=True)
    return sums


def on_film(film):
    """Where on a picture the film is: batch × SIZE × SIZE."""
    yy = torch.arange(SIZE, device=film.device)[None, :, None]
    xx = torch.arange(SIZE, device=film.device)[None, None, :]
    left, top, width, height = (film[:, i, None, None] for i in range(4))
    return (xx >= left) & (xx < left + width) & (yy >= top) & (yy < top + height)


def augment(x, g):
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
    y = torch.where(r(b, 1, 1) < 0.25, 0.5 + 0.5 * torch.tanh(steep * (y - 0.5)) / torch.tanh(steep / 2), y)
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
    return y * 255


def turn(a, k, flip):
    """Turns a batch's last two axes by k quarter turns, after an optional mirror image."""
    if flip:
        a = torch.flip(a, (-1,))
    return torch.rot90(a, k, (-2, -1))


def targets(rec, dev):
    out = common.tensors(rec, ("image", "shaft", "femur", "dir", "sign", "view", "marks"), dev)
    out["film"] = torch.from_numpy(rec["film"].astype(np.int64)).to(dev)
    out["count"] = torch.from_numpy(rec["count"].astype(np.int64)).to(dev)
    return out


def prepare(t, g, rng):
    """Turns a raw batch into the network's input and its targets, turned and mirrored at random."""
    k, flip = int(rng.integers(4)), bool(rng.integers(2))
    b = t["image"].shape[0]
    dev = t["image"].device
    x = common.stretch(augment(t["image"].float(), g), on_film(t["film"]), every=5, least=1)
    heat = torch.zeros(b, len(LANDMARKS), HALF, HALF, device=dev)
    yy, xx = torch.meshgrid(torch.arange(HALF, device=dev).float(), torch.arange(HALF, device=dev).float(), indexing="ij")
    each = torch.arange(b, device=dev)
    for j in range(16):
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
    return tr(x)[:, None], {
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


def main():
    a = common.arguments(__doc__, minutes=8, pool=100000, out="locate.onnx")
    a.add_argument("--from", dest="start", help="ONNX file of a network to train further; BatchNorm stays folded into it")
    a.add_argument("--rate", type=float, help="highest learning rate; default 2e-3, or 3e-4 with --from")
    a = a.parse_args()
    dev, g, rng = common.begin(a.seed)
    samples = common.Samples(a, "film", RECORD, lambda r: targets(r, dev), dev, held=16)
    net = (load(a.start) if a.start else Locate()).to(dev)
    before = judge(net, samples.held, dev, a.seed, "held out, before:")
    if a.start and any(not before[k] < v for k, v in SANE.items()):
        raise SystemExit("the network to start from does not fit these samples")

    def loss(t):
        x, y = prepare(t, g, rng)
        with common.fast(dev):
            o = net(x)
        return loss_of(o.float(), y)

    common.train(net, samples, g, a.minutes, 96, loss, rate=a.rate or (3e-4 if a.start else 2e-3), decay=1e-4)
    judge(net, samples.held, dev, a.seed, "held out, after:")
    common.export(net, (1, 1, SIZE, SIZE), a.out, "film", "planes")


if __name__ == "__main__":
    main()
