"""What the training programs share: samples streamed from the simulator, the
U-Net, the contrast stretch, the loop with its schedule and its averaged weights.

Samples come through the command `trainsamples`, as a stream of records on its
standard output. Every sample is drawn anew; a pool on the device keeps them, so
that each is learnt from several times, changed otherwise, while new ones replace
the oldest.
"""
import argparse
import multiprocessing as mp
import os
import queue
import subprocess
import threading
import time

import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

READ = 32  # records in one batch of the stream


def arguments(doc, minutes, pool, out=None):
    """The arguments that all programs have; more may be added before parsing."""
    a = argparse.ArgumentParser(description=doc, formatter_class=argparse.RawDescriptionHelpFormatter)
    a.add_argument("--samples", help="the command trainsamples")
    a.add_argument("--meshes", default="", help="folder with femur surfaces for trainsamples")
    a.add_argument("--out", default=out, required=out is None, nargs="+" if isinstance(out, list) else None)
    a.add_argument("--minutes", type=float, default=minutes)
    a.add_argument("--workers", type=int, default=mp.cpu_count(), help="simulator processes")
    a.add_argument("--pool", type=int, default=pool, help="samples kept in memory")
    a.add_argument("--seed", type=int, default=1)
    return a


def begin(seed):
    """The device, and the generators of torch and numpy."""
    dev = "cuda" if torch.cuda.is_available() else "cpu"
    torch.backends.cudnn.benchmark = True
    torch.manual_seed(seed)
    return dev, torch.Generator(device=dev).manual_seed(seed), np.random.default_rng(seed)


def reader(command, record, out):
    """Reads records from one simulator process into the queue, READ at a time; None when it has ended."""
    env = dict(os.environ, GOMAXPROCS="1", GOGC="400")
    # The loop that trains shall never wait for a core.
    p = subprocess.Popen(["nice", "-n", "19", *command], stdout=subprocess.PIPE, env=env, bufsize=0)
    n = READ * record.itemsize
    while True:
        raw = bytearray(n)
        at = 0
        while at < n:
            got = p.stdout.readinto(memoryview(raw)[at:])
            if not got:
                out.put(None)
                return
            at += got
        out.put(np.frombuffer(raw, record))


def tensors(record, names, dev):
    """Fields of a record array as tensors on the device."""
    return {k: torch.from_numpy(np.ascontiguousarray(record[k])).to(dev) for k in names}


class Samples:
    """The streams of all simulator processes, the first batches of which are held back for judging, and the pool.

    unpack turns a record array into a dictionary of tensors on the device.
    """

    def __init__(self, a, kind, record, unpack, dev, held):
        self.unpack, self.pool = unpack, a.pool
        self.queue = queue.Queue(maxsize=400)
        for i in range(a.workers):
            command = [a.samples, "--kind", kind, "--seed", str(a.seed * 1000 + i)]
            if a.meshes:
                command += ["--meshes", a.meshes]
            threading.Thread(target=reader, args=(command, record, self.queue), daemon=True).start()
        self.held = [self.next() for _ in range(held)]  # never trained on
        self.all = {k: torch.empty((a.pool, *v.shape[1:]), dtype=v.dtype, device=dev) for k, v in self.held[0].items()}
        self.filled = self.at = self.drawn = 0

    def next(self):
        r = self.queue.get()
        if r is None:
            raise SystemExit("a trainsamples has ended")
        return self.unpack(r)

    def top_up(self, least, most=16):
        """Takes what has come, up to most batches; waits while the pool has fewer than least samples."""
        take = 0
        while (not self.queue.empty() and take < most) or self.filled < least:
            r = self.next()
            take += 1
            n = len(next(iter(r.values())))
            if self.at + n > self.pool:
                self.at = 0
            for k, v in r.items():
                self.all[k][self.at:self.at + n] = v
            self.at, self.drawn = self.at + n, self.drawn + n
            self.filled = max(self.filled, self.at)

    def pick(self, n, g):
        """n samples of the pool at random."""
        at = torch.randint(0, self.filled, (n,), generator=g, device=g.device)
        return {k: v[at] for k, v in self.all.items()}


def train(net, samples, g, minutes, batch, loss_of, rate=2e-3, decay=1e-3, report=200, least=2000, paced=None):
    """Trains net for so many minutes, then gives it the mean of its weights over the last thousand steps.

    loss_of gets a batch of the pool and returns the loss or a dictionary of losses;
    the pool has at least so many samples before the first. paced: groups of parameters
    with their pace, by which the rate is multiplied.
    """
    net.to(memory_format=torch.channels_last)
    opt = torch.optim.AdamW(paced or net.parameters(), rate, weight_decay=decay, **({"fused": True} if g.device.type == "cuda" else {}))
    now = [v for v in net.state_dict().values() if v.dtype.is_floating_point]
    mean = [v.clone() for v in now]
    start, step = time.time(), 0
    net.train()
    while (spent := time.time() - start) < minutes * 60:
        samples.top_up(least)
        for p in opt.param_groups:
            p["lr"] = p.get("pace", 1) * rate * min(1, (step + 1) / 200) * 0.5 * (1 + np.cos(np.pi * spent / (minutes * 60)))
        l = loss_of(samples.pick(batch, g))
        l = l if isinstance(l, dict) else {"loss": l}
        opt.zero_grad()
        sum(l.values()).backward()
        nn.utils.clip_grad_norm_(net.parameters(), 5)
        opt.step()
        with torch.no_grad():
            torch._foreach_lerp_(mean, now, 1 - min(0.999, (step + 1) / (step + 20)))
        step += 1
        if step % report == 0:
            print(f"{spent:5.0f} s step {step} pool {samples.filled} drawn {samples.drawn} " + " ".join(f"{k} {v.item():.4f}" for k, v in l.items()), flush=True)
    with torch.no_grad():
        for v, m in zip(now, mean):
            v.copy_(m)
    net.eval()
    print("trained", step, "steps,", samples.drawn, "samples drawn", flush=True)


def keep(net, path):
    """Keeps the weights of net, in half precision, to go on from or to write as ONNX."""
    torch.save({k: v.half() if v.is_floating_point() else v for k, v in net.state_dict().items()}, path)


def kept(path):
    """The weights that keep kept."""
    return torch.load(path, map_location="cpu")


def folded(weights, stem):
    """Whether the network whose stem has that name has no BatchNorm of its own: an exported one, read back by unfold."""
    return stem + ".1.running_mean" not in weights


def unfold(net, path):
    """Gives net, made without norm, the weights of an exported network, whose nodes are in the order of use. Planes
    of the input that this has not start at 0."""
    import onnx
    from onnx import numpy_helper
    graph = onnx.load(path).graph
    values = {v.name: numpy_helper.to_array(v) for v in graph.initializer}
    nodes, convs = [n for n in graph.node if n.op_type == "Conv"], net.convolutions()
    if len(nodes) != len(convs):
        raise SystemExit(f"{path}: {len(nodes)} convolutions, want {len(convs)}")
    with torch.no_grad():
        for n, c in zip(nodes, convs):
            weight, bias = (torch.from_numpy(values[name].copy()) for name in n.input[1:])
            c.weight.zero_()
            c.weight[:, :weight.shape[1]].copy_(weight)
            c.bias.copy_(bias)
    return net


def fast(dev):
    """Within it a GPU multiplies in bfloat16."""
    return torch.autocast(dev, torch.bfloat16, enabled=dev == "cuda")


def export(net, shape, path, given, wanted):
    """Writes the network, for an input of that shape, as the ONNX that detect reads."""
    net.eval().cpu().to(memory_format=torch.contiguous_format)
    old = {"dynamo": False} if int(torch.__version__.split(".")[0]) >= 2 else {}  # the exporter that knows opset 11
    torch.onnx.export(net, torch.zeros(shape), path, opset_version=11, input_names=[given], output_names=[wanted], **old)
    print("wrote", path, sum(p.numel() for p in net.parameters()), "parameters")


def convolution(a, b, size, stride=1, norm=True):
    """A convolution and what follows it. norm False: as an exported network has it, the normalisation folded in."""
    conv = nn.Conv2d(a, b, size, stride, size // 2, bias=not norm)
    return nn.Sequential(conv, *([nn.BatchNorm2d(b)] if norm else []), nn.ReLU(inplace=True))


def block(a, b, stride=1, norm=True):
    return convolution(a, b, 3, stride, norm)


class UNet(nn.Module):
    """A small U-Net whose skips are added, not concatenated.

    widths are those at 1/2, 1/4, … of the input's size, of which there is a skip
    each; without whole, none at 1/2. deep blocks follow at the deepest; from there
    it goes up, to 1/2 or by so many levels. Returns the last map and the deepest.
    """

    def __init__(self, planes, widths, deep=1, whole=True, up=None, norm=True):
        super().__init__()
        w, n = widths, len(widths) - 1
        self.stem = convolution(planes, w[0], 5, 2, norm)
        self.same = nn.Sequential(block(w[0], w[0], 1, norm)) if whole else nn.Identity()
        self.down = nn.ModuleList([nn.Sequential(block(w[i], w[i + 1], 2, norm), block(w[i + 1], w[i + 1], 1, norm)) for i in range(n)])
        self.deep = nn.Sequential(*[block(w[n], w[n], 1, norm) for _ in range(deep)])
        self.levels = list(reversed(range(n)))[:up]
        self.narrow = nn.ModuleList([nn.Conv2d(w[i + 1], w[i], 1) for i in self.levels])
        self.up = nn.ModuleList([block(w[i], w[i], 1, norm) for i in self.levels])

    def forward(self, x):
        x = self.same(self.stem(x))
        skips = [x]
        for d in self.down:
            x = d(x)
            skips.append(x)
        x = deepest = self.deep(x)
        for i, narrow, up in zip(self.levels, self.narrow, self.up):
            x = up(F.interpolate(narrow(x), scale_factor=2, mode="nearest") + skips[i])
        return x, deepest

    def convolutions(self):
        """All convolutions in the order in which forward uses them."""
        parts = [self.stem, self.same, *self.down, self.deep]
        for pair in zip(self.narrow, self.up):
            parts += pair
        return [m for p in parts for m in p.modules() if isinstance(m, nn.Conv2d)]


def stretch(x, on=None, every=1, least=1e-6):
    """As detect does: 1 % and 99 % of a picture's pixels to 0 and 1, ends kept to −0.5 … 1.5.

    Where on is given, only what it marks counts and the rest becomes 0. every:
    one in so many pixels is looked at; least: the least distance of the two.
    """
    ends = torch.tensor([0.01, 0.99], device=x.device)
    if on is None:
        q = torch.quantile(x.flatten(1)[:, ::every], ends, dim=1)
    else:
        q = torch.nanquantile(torch.where(on, x, torch.nan).flatten(1)[:, ::every], ends, dim=1)
    lo, hi = q[0][:, None, None], q[1][:, None, None]
    y = ((x - lo) / (hi - lo).clamp(min=least)).clamp(-0.5, 1.5)
    return y if on is None else torch.nan_to_num(torch.where(on, y, 0.0))


def flat(x, side):
    """The mean of pictures over a square of an odd side, 0 beyond their border."""
    return F.avg_pool2d(F.avg_pool2d(x[:, None], (side, 1), 1, (side // 2, 0)), (1, side), 1, (0, side // 2))[:, 0]


def box(x, rows, cols):
    """The mean of pictures over an odd number of rows and columns."""
    y = F.pad(x[:, None], (cols // 2,) * 2 + (rows // 2,) * 2, mode="replicate")
    return F.avg_pool2d(F.avg_pool2d(y, (rows, 1), 1), (1, cols), 1)[:, 0]
