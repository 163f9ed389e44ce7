"""Strips of plain bones, drawn on the device that trains: thousands a second, so
that the network sees far more shapes and makes of film than the simulator can give.

A bone is a pair of tubes around the shaft's axis, each a stack of superellipses whose
lateral half is moved by bumps and by unevenness; a ray's path through it is that
between polygons. What the film makes of the path (scatter, blur, noise, tone,
processing in bands) is drawn anew for every strip.
"""
import math

import torch
import torch.nn.functional as F

import process
from process import Draws

ROWS, COLS, LINE = 384, 112, 32  # of the strip, and the column of its line
DOWN, ACROSS = 0.5, 0.2  # mm
BEYOND = 60  # rows above and below the strip in which thickenings are told from their surroundings
MARGIN = 40  # columns beside the strip that processing sees
AROUND = 8  # rows above and below that it sees
LATERAL, MEDIAL = 33, 11  # nodes around each half of a tube
LEAST, NEARLY = 0.5, 0.35  # mm, as in pipeline/simulate


def sheet(d, z, around, along, step, share):
    """Smooth noise of unit variance over rows and nodes around, b × rows × nodes: its scale is along mm and step of the half
    turn; of the fine scale there is a share. Its values are bent so that hollows and ridges differ, by kinds drawn."""
    def field(k):
        v = d.normal(1, 160, 24)
        y = (2 * z / (along * k) / 160 * 0.9).clamp(-1, 1)
        x = (2 * around[None] / (step * k) / 24 * 0.9).clamp(-1, 1)
        grid = torch.stack([x[:, None].expand(-1, z.shape[1], -1), y[..., None].expand(-1, -1, around.shape[0])], 3)
        return F.grid_sample(v, grid, mode="bicubic", padding_mode="reflection", align_corners=True)[:, 0]
    v = field(1.0) + share[..., None] * field(0.4)
    v = v / v.flatten(1).std(1)[:, None, None].clamp(min=1e-3)
    kind = torch.randint(0, 7, (d.b, 1, 1), generator=d.g, device=d.dev)
    for k, form in enumerate((1.65 * (v.abs() - 0.8), 1.65 * (0.8 - v.abs()), 2 * ((v - 0.6).clamp(min=0) - 0.17), -2 * ((v - 0.6).clamp(min=0) - 0.17), 1.2 * torch.tanh(3 * v))):
        v = torch.where(kind == k, form, v)
    return v


def bump(z, level, length, sharp, skew):
    """A bump of height 1 at a level, so long at half its height: sharp 1.2 is a beak, 2 a bell, 8 a plateau."""
    t = (z - level) / (length / 2)
    t = t.abs() / (1 + skew * t.sign()).clamp(min=0.2)
    return torch.exp(-math.log(2) * t.clamp(min=1e-4) ** sharp)


class Bone:
    """The lateral half of two tubes by row (with BEYOND on both ends) and node, as depths below the strip's line."""

    def __init__(self, d):
        b, dev = d.b, d.dev
        n = ROWS + 2 * BEYOND
        z = DOWN * (torch.arange(n, device=dev).float() - (n - 1) / 2)[None].expand(b, -1)
        turn = torch.linspace(-math.pi / 2, math.pi / 2, LATERAL, device=dev)
        cos, sin = turn.cos().clamp(min=0)[None, None], turn.sin()[None, None]
        waves = lambda lo, hi: smooth(d, n, lo / DOWN, hi / DOWN)
        # The tubes' half-widths and walls; one end of some is flared.
        self.a = d.even(9, 17) + torch.where(d.chance(0.5), 6 * (((z * torch.where(d.chance(0.5), 1.0, -1.0) - d.even(-40, 80)) / 96).clamp(min=0)) ** 2, 0) + d.some(0.4, 0.4 * waves(60, 200))
        self.front = self.a * d.even(0.8, 1.3)
        wall = torch.where(d.chance(0.75), d.even(3.5, 9), d.wide(1.6, 10)).minimum(0.8 * self.a.amin(1, keepdim=True))
        taper = d.even(-0.4, 0.4) * torch.where(d.chance(0.4), 2.0, 0.5)
        wall = (wall * (1 + taper * z / 96 * 0.5)) + d.some(0.5, d.even(0, 0.5) * d.even() * waves(60, 300))
        wall = (wall + d.some(0.15, d.even(0.3, 2.5) * bump(z, d.even(-140, 140), d.even(110, 220), d.wide(2, 8), 0))).clamp(min=1.2)
        front = wall * d.even(0.6, 1.3)
        self.power, inside = d.even(1.75, 2.5, 2), d.even(1.75, 2.5, 2)
        self.soft = torch.where(d.chance(0.25), d.wide(0.02, 0.3), d.even(0.2, 1.6)) * (1 + d.some(0.4, 0.3 * waves(10, 80))).clamp(min=0.2)
        # Where the lateral surface lies under the strip's line.
        u = z / 64
        steady = torch.where(d.chance(0.3), 0.3, 1.0)
        self.line = steady * (d.even(-1.5, 1.5) + d.even(-0.64, 0.64) * u + d.even(-0.6, 0.6) * (u.clamp(-1.6, 1.6) ** 2 - 0.4)) + d.some(0.35, 0.35 * d.even() * waves(60, 200))
        ao = self.a[..., None]
        self.ao, self.ai = self.a, (self.a - wall).clamp(min=1.2)
        self.bo, self.bi = self.front, (self.front - front).clamp(min=1.2)
        outer = self.line[..., None] + ao * (1 - cos ** (2 / self.power))
        inner = self.line[..., None] + wall[..., None] + self.ai[..., None] * (1 - cos ** (2 / inside))
        self.sin_o, self.sin_i = sin.sign() * sin.abs() ** (2 / self.power), sin.sign() * sin.abs() ** (2 / inside)
        self.wall, self.z = wall, z
        # Unevenness: none on the plainest bones, little on others.
        some = torch.where(d.chance(0.4), 0.0, torch.where(d.chance(0.5), 0.3, 1.0))
        rough = lambda: sheet(d, z, turn, d.wide(2, 45), d.wide(0.2, 3), d.some(0.5, 0.8 * d.even()))
        patchy = torch.exp(d.some(0.5, 0.6 * waves(15, 90)))
        outer = outer + (some * d.some(0.4, d.wide(0.01, 0.12)))[..., None] * rough()
        inner = inner + (some * patchy * d.some(0.8, d.wide(0.02, 0.35)))[..., None] * rough() + (some * d.some(0.3, d.wide(0.02, 0.3)))[..., None] * rough()
        # What is no focal thickening: long bulges and dents, callus all round.
        def add(outer, inner, h, share, around, narrow):
            w = (turn[None] - around).cos().clamp(min=0) ** narrow
            h = h[..., None] * w[:, None]
            return outer - h * share[..., None], inner + h * (1 - share[..., None])
        side = lambda deg: d.normal(1) * math.radians(deg)
        shape = lambda level, length, skew: bump(z, level, length, torch.where(d.chance(0.4), 2.0, d.wide(1.3, 8)), d.even(-skew, skew))
        round_ = 2  # of them goes all round: on the lateral side it looks like a focal one
        for k, (p, h, length, share, around, narrow) in enumerate((
                (0.2, d.wide(0.4, 2.5), d.even(85, 170), torch.where(d.chance(0.7), d.chance(0.5).float(), d.even()), side(20), d.even(1, 3)),
                (0.12, -d.wide(0.3, 1.5), d.even(60, 150), d.chance(0.6).float(), side(20), d.even(1, 3)),
                (0.12, d.wide(0.4, 3), d.even(10, 45), d.even(0.6, 1), side(1), torch.zeros(b, 1, device=dev)),
                (0.1, d.wide(0.4, 2.2), d.even(52, 85), torch.ones(b, 1, device=dev), side(25), d.even(1, 4)),
                (0.15, -d.wide(0.15, 0.8), d.even(6, 24), torch.zeros(b, 1, device=dev), side(25), d.even(1, 6)))):
            h = d.some(p, h) * shape(d.even(-105, 105), length, 0.5)
            outer, inner = add(outer, inner, h, share, around, narrow)
            if k == round_:
                self.callus = h
        keep = lambda outer, inner: torch.minimum(torch.maximum(inner, outer + 0.4), self.line[..., None] + 2 * self.a[..., None] - 3)
        self.bare_outer, self.bare_inner = outer, keep(outer, inner)
        # Focal thickenings.
        self.knobs = []
        some = d.chance(0.58)
        for k in range(2):
            on = some & (d.chance(1.0) if k == 0 else d.chance(0.16))
            v = d.even()
            h = torch.where(d.chance(0.6), d.wide(0.5, 1.6), d.wide(0.5, 5)) * on
            length = torch.where(d.chance(0.5), d.wide(6, 45), d.even(8, 42))
            h = torch.where(length > 22, torch.maximum(h, d.wide(0.5, 3) * on), h)
            share = torch.where(v < 0.4, 0.0, torch.where(v < 0.7, d.even(), 1.0))
            level = d.even(-100, 100)
            outer, inner = add(outer, inner, h * shape(level, length, 0.7), share, side(14), d.wide(0.6, 5))
            self.knobs.append((on, level, length))
        self.outer, self.inner = outer, keep(outer, inner)
        # The line of a found outer edge follows what stands out of it, the more the longer it is.
        out = F.pad((self.bare_outer.amin(2) - self.outer.amin(2))[:, None], (n, n))[:, 0]
        f = torch.fft.rfftfreq(3 * n, DOWN, device=dev)
        follow = d.some(0.6, d.even()) * torch.fft.irfft(torch.fft.rfft(out) * torch.exp(-2 * (math.pi * f * d.even(8, 30)) ** 2), 3 * n)[:, n:2 * n]
        self.line = self.line + follow
        for name in ("outer", "inner", "bare_outer", "bare_inner"):
            setattr(self, name, getattr(self, name) + follow[..., None])
        self.young = torch.where(d.chance(0.3), d.even(0.45, 0.95), 1.0)


def smooth(d, n, least, most):
    """Noise of unit variance, b × n, whose waves are no shorter than a length drawn between least and most samples."""
    m = 2 * n  # it does not close
    f = torch.fft.rfftfreq(m, device=d.dev)
    z = torch.fft.rfft(d.normal(m)) * torch.exp(-(f * d.wide(least, most)) ** 2)
    v = torch.fft.irfft(z, m)
    return (v / v.std(1, keepdim=True).clamp(min=1e-6))[:, :n]


@torch.jit.script
def add_part(out, u, lo, steep, most):
    return out + ((u - lo) * steep).clamp(0.0, 1.0) * most


def chords(u, depth, sin, half, soft=None):
    """The path of the rays at the depths u through what lies below the nodes, b × rows × columns: depth b × rows × nodes,
    half b × rows, of the tube's half-width along the ray, and sin of the nodes in parts of it."""
    out = torch.zeros(depth.shape[0], depth.shape[1], u.shape[-1], device=u.device)
    if soft is None:
        soft = torch.full_like(half, 0.02)
    for k in range(depth.shape[2] - 1):
        p, q = depth[:, :, k], depth[:, :, k + 1]
        across = half * (sin[..., k + 1] - sin[..., k])
        slope = ((p - q) / across.clamp(min=1e-3)).abs()
        span = (p - q).abs() + soft * (1 + slope.clamp(max=5) ** 2).sqrt()  # soft across the edge is more along the ray's row
        lo = (p + q) / 2 - span / 2
        out = add_part(out, u, lo[..., None], (1 / span)[..., None], across[..., None])
    return out


def gaussian(x, down, across):
    """Blurs pictures by standard deviations of so many pixels, each b × 1 × 1; their ends are joined."""
    h, w = x.shape[1:]
    fy, fx = torch.fft.fftfreq(h, device=x.device)[None, :, None], torch.fft.rfftfreq(w, device=x.device)[None, None]
    k = torch.exp(-2 * math.pi ** 2 * ((fy * down) ** 2 + (fx * across) ** 2))
    return torch.fft.irfft2(torch.fft.rfft2(x) * k, (h, w))


def broad(x, mm):
    """The same for some mm or more, with mirrored ends."""
    y = F.avg_pool2d(x[:, None], (2, 4))[:, 0]
    y = torch.cat([y, y.flip(1)], 1)
    y = torch.cat([y, y.flip(2)], 2)
    y = gaussian(y, mm / (2 * DOWN), mm / (4 * ACROSS))[:, :x.shape[1] // 2, :x.shape[2] // 4]
    return F.interpolate(y[:, None], size=x.shape[1:], mode="bilinear", align_corners=False)[:, 0]


def blur(x, mm):
    return gaussian(x, mm / DOWN, mm / ACROSS)


def film(d, bone):
    """The pictures of bones, b × ROWS × COLS from 0 to 1, and the planes of their dark lines at half that size."""
    b, dev = d.b, d.dev
    cut = slice(BEYOND - AROUND, BEYOND + ROWS + AROUND)
    n = ROWS + 2 * AROUND
    u = (ACROSS * (torch.arange(COLS + 2 * MARGIN, device=dev) - MARGIN - LINE).float())[None, None]
    z = bone.z[:, cut]
    e3 = lambda lo, hi: d.even(lo, hi, 2)
    w3 = lambda lo, hi: d.wide(lo, hi, 2)
    outer, inner = bone.outer[:, cut], bone.inner[:, cut]
    whole = chords(u, outer, bone.sin_o, bone.bo[:, cut])
    hollow = chords(u, inner, bone.sin_i, bone.bi[:, cut], bone.soft[:, cut])
    new = torch.zeros_like(whole)  # of thickenings, where they are less dense
    k = (bone.young[:, 0] < 1).nonzero()[:, 0]
    new[k] = whole[k] - chords(u, bone.bare_outer[k][:, cut], bone.sin_o[k], bone.bo[k][:, cut])
    # The far side.
    turn = torch.linspace(-math.pi / 2, math.pi / 2, MEDIAL, device=dev)
    cos, sin = turn.cos().clamp(min=0)[None, None], turn.sin()[None, None]
    far = bone.line[:, cut] + 2 * bone.a[:, cut]
    whole = whole - chords(u, far[..., None] - bone.ao[:, cut, None] * (1 - cos), sin, bone.bo[:, cut])
    wall = (bone.wall[:, cut] * d.even(0.7, 1.2)).minimum(bone.a[:, cut])
    hollow = hollow - chords(u, (far - wall)[..., None] - bone.ai[:, cut, None] * (1 - cos), sin, bone.bi[:, cut])
    whole = whole.clamp(min=0)
    hollow = torch.minimum(hollow.clamp(min=0), whole)
    cort = whole - hollow
    cort = (cort - (1 - bone.young[..., None]) * new.clamp(min=0)).clamp(min=0)

    # Dark lines through the cortex, near a thickening or alone, and canals, holes and pores.
    line = torch.zeros(b, ROWS // 2, COLS // 2, dtype=torch.bool, device=dev)
    edge, deep = outer.amin(2), inner.amin(2)
    for on, level, length in bone.knobs + [(d.chance(0.06), d.even(-90, 90), torch.full((b, 1), 10.0, device=dev))]:
        on = on & (d.chance(0.35) | (length == 10))
        level = (level + 0.12 * length * d.normal(1))[..., None]
        near = (level / DOWN + n / 2).long().clamp(0, n - 1)[..., 0]
        top, end = edge.gather(1, near)[..., None], deep.gather(1, near)[..., None]
        slant, half, depth = torch.deg2rad(e3(-25, 25)), w3(0.2, 1.5) / 2, torch.where(d.chance(0.25, 2), 1.0, e3(0.25, 1)) * (end - top)
        taper, missing = e3(0, 0.8), e3(0.5, 1)
        across = (z[..., None] - level) * slant.cos() - (u - top) * slant.sin()
        narrow = half * (1 - taper * ((u - top) / depth.clamp(min=0.2)).clamp(0, 1))
        share = (torch.minimum(across + DOWN / 2, narrow) - torch.maximum(across - DOWN / 2, -narrow)).clamp(min=0) / DOWN
        inside = ((depth - (u - top)) / 0.3 + 0.5).clamp(0, 1)
        cort = torch.where(on[..., None], cort * (1 - missing * share.clamp(max=1) * inside), cort)
        mark = (across.abs() < half.clamp(min=0.45)) & (u - top < depth + 0.15) & (u > edge[..., None] - 0.1) & (u < deep[..., None] + 0.2) & on[..., None]
        mark = mark[:, AROUND:-AROUND, MARGIN:-MARGIN]
        line |= mark[:, ::2, ::2]
    for p, long, half, steep in ((0.25, e3(18, 45), e3(0.25, 0.6), e3(-22, 22)), (0.04, e3(3, 20), e3(0.3, 1.2), e3(-90, 90)), (0.06, e3(2.5, 5), e3(1, 2.4), e3(0, 0))):
        y, x = z[..., None] - e3(-100, 100), u - e3(-1, 12)
        sn, cs = torch.deg2rad(steep).sin(), torch.deg2rad(steep).cos()
        r = ((y * cs + x * sn) / (long / 2)) ** 2 + ((x * cs - y * sn) / half) ** 2
        cort = cort - d.some(p, torch.minimum(cort, 2 * half * (1 - r).clamp(min=0).sqrt()))
    grain = lambda down, across: unit(gaussian(d.normal(n, COLS + 2 * MARGIN), down / DOWN, across / ACROSS))
    cort = cort * (1 + d.some(0.4, 0.2 * e3(0, 1) ** 2) * grain(w3(1, 6), w3(0.1, 0.5))).clamp(min=0)
    sponge = (d.some(0.8, e3(0.05, 0.4)) * (1 - d.some(0.6, 0.5 * e3(0, 1)) * grain(w3(0.4, 5), w3(0.3, 1)))).clamp(min=0)
    streaks = d.some(0.2, w3(0.1, 1.2)) * torch.exp(-(u - deep[..., None]).clamp(min=0) / w3(0.4, 4)) * (hollow > 0) * grain(w3(1, 8), w3(0.3, 1)).clamp(min=0)

    # The film: attenuation, what lies beside and upon the bone, beam, blur, noise.
    bone_per_mm = w3(0.022, 0.1)
    path = bone_per_mm * (cort + sponge * hollow + streaks)
    flesh = d.some(0.85, 0.25 * unit(broad(d.normal(n, COLS + 2 * MARGIN), w3(8, 60)))) * e3(0, 1) + e3(-0.02, 0.02) * u + e3(-0.4, 0.4) * z[..., None] / 96
    for p in (0.15, 0.15, 0.2):
        c, sd = e3(-8, 20) + e3(-0.05, 0.05) * z[..., None] + e3(-3, 3) * (z[..., None] / 96) ** 2, w3(0.3, 2)
        kind = d.chance(0.5, 2)
        flesh = flesh + d.some(p, e3(-0.12, 0.12)) * torch.where(kind, torch.exp(-((u - c) / sd) ** 2 / 2), torch.sigmoid(3 * (u - c) / sd))
    sn, cs = (lambda t: (t.sin(), t.cos()))(torch.deg2rad(e3(-75, 75)))
    fold = torch.sigmoid((z[..., None] * cs + (u - 5) * sn - e3(-90, 90)) / w3(0.15, 1.5))
    path = path + flesh + d.some(0.15, e3(-0.25, 0.25)) * fold
    path = path / (1 + d.some(0.5, e3(0, 0.08)) * path.clamp(min=0))
    light = torch.exp(-path.clamp(-2, 8))
    light = blur(light, d.some(0.8, w3(0.03, 0.3)))
    light = light + d.some(0.7, e3(0, 1.2)) * (0.5 * broad(light, e3(8, 30)) + 0.5 * light.mean((1, 2), keepdim=True))
    noise = w3(0.003, 0.05)
    light = light + noise * (light.clamp(min=1e-3) * light.mean((1, 2), keepdim=True)).sqrt() * d.normal(n, COLS + 2 * MARGIN)
    light = blur(light, d.some(0.9, w3(0.05, 0.32))).clamp(min=1e-3)
    x = -light.log()
    linear = 1 - light / light.flatten(1).quantile(0.99, 1)[:, None, None].clamp(min=1e-3)

    # Processing: noise reduction, bands of detail, their limits, what evens out the film.
    near = blur(x, w3(0.2, 0.6))
    rest = x - near
    x = torch.where(d.chance(0.2, 2), near + rest * (rest ** 2 / (rest ** 2 + (e3(0.5, 3) * rest.flatten(1).std(1)[:, None, None]) ** 2)), x)
    spread = x.flatten(1).std(1)[:, None, None].clamp(min=1e-3)
    processed, left = torch.zeros_like(x), x
    gain, tilt = e3(0, 1.6), e3(-0.6, 0.6)
    steep, limit = torch.where(d.chance(0.5, 2), 1.0, e3(0.55, 1)), w3(0.05, 0.6) * spread
    for k, mm in enumerate((0.3, 0.7, 1.6, 3.6, 8)):
        low = (blur if mm < 1 else broad)(left, torch.full_like(gain, mm))
        detail = left - low
        bent = process.bent(detail, limit, steep)
        processed = processed + (1 + gain * (1 + tilt * (k - 2) / 2) * d.even(0.7, 1.3, 2)) * bent
        left = low
    processed = processed + torch.where(d.chance(0.7, 2), e3(0.2, 1), 1.0) * left
    x = torch.where(d.chance(0.5, 2), processed, x)
    x = x + d.some(0.3, e3(0, 2.5)) * (x - blur(x, w3(0.25, 2)))
    mean = broad(x, w3(4, 40))
    even = (x - mean) / (broad((x - mean) ** 2, w3(4, 40)).clamp(min=0).sqrt() + 0.15 * spread)
    x = torch.where(d.chance(0.12, 2), mean * e3(0, 0.7) + spread * even * e3(0.5, 1), x)
    x = torch.where(d.chance(0.08, 2), linear, x)
    x = x[:, AROUND:-AROUND, MARGIN:-MARGIN]
    q = torch.quantile(x.flatten(1)[:, ::7], torch.tensor([0.002, 0.998], device=dev), dim=1)
    lo, hi = q[0][:, None, None], q[1][:, None, None]
    x = ((x - lo) / (hi - lo).clamp(min=1e-6) - d.some(0.3, e3(-0.2, 0.3))) * torch.where(d.chance(0.3, 2), e3(0.8, 1.3), 1.0)
    a = e3(3, 9)
    x = torch.where(d.chance(0.3, 2), torch.sigmoid(a * (x - e3(0.3, 0.7))), x).clamp(0, 1)
    lo, hi = x.amin((1, 2), keepdim=True), x.amax((1, 2), keepdim=True)
    return (x - lo) / (hi - lo).clamp(min=1e-6), line


def unit(v):
    return v / v.flatten(1).std(1)[:, None, None].clamp(min=1e-6)


def seen(x, col, dense, thin):
    """Whether an edge at the columns col, b × H, is there to see: what lies dense columns from it is brighter than what lies thin ones."""
    y = F.avg_pool2d(F.pad(x[:, None], (0, 1, 1, 2), mode="replicate"), (4, 2), 1)[:, 0, ::2]  # from row 2r − 1, column c
    at = lambda c: y.gather(2, c.floor().long().clamp(0, COLS - 2)[..., None])[..., 0]
    return (col > 2) & (col < COLS - 3) & (at(col + dense) - at(col + thin) >= 0.004)


@torch.no_grad()
def strips(b, g):
    """b strips with their labels, as trainsamples gives them."""
    d = Draws(b, g, dims=1)
    bone = Bone(d)
    x, line = film(d, bone)
    mm = lambda v: (v[:, ::2] + v[:, 1::2]) / 2  # by mm
    col = lambda v: mm(v.amin(2)) / ACROSS + LINE
    outer, inner, bare_outer, bare_inner = (col(v) for v in (bone.outer, bone.inner, bone.bare_outer, bone.bare_inner))
    ho, hi = ACROSS * (bare_outer - outer), ACROSS * (inner - bare_inner)
    height, z = ho + hi, mm(bone.z)
    n = z.shape[1]
    index = torch.arange(n, device=d.dev)[None]
    focal, peak = -(mm(bone.callus) > 0.15).float(), torch.full((b, n), torch.nan, device=d.dev)  # callus: not asked for
    for on, level, length in bone.knobs:
        own = on & ((z - level).abs() < 0.4 * length + 2)
        top, best = torch.where(own, height, -1.0).max(1, keepdim=True)
        run = lambda ok: ok & ((~ok).cumsum(1) == (~ok).cumsum(1).gather(1, best))
        covered = run(height >= top / 2) & (top >= NEARLY)
        flat = run(height >= 0.98 * top).float()
        middle = (flat * index).sum(1, keepdim=True) / flat.sum(1, keepdim=True)
        free = covered & (focal != 1)
        focal = torch.where(free, torch.where(top >= LEAST, 1.0, -1.0), focal)
        peak = torch.where(free, middle - index, peak)
    k = BEYOND // 2
    cut = lambda v: v[:, k:-k]
    wall = cut(inner - outer)
    s = torch.stack([seen(x, cut(outer), (0.6 * wall).clamp(max=5), -5), seen(x, cut(inner), -(0.5 * wall).clamp(max=5), 6) & (wall >= 2.5) & (cut(mm(bone.soft)) <= 1.9)], 2).to(torch.int8)
    line = line & (s[..., :1] > 0)
    return {"image": (255 * x + 0.5).to(torch.uint8), "line": line.to(torch.uint8),
            "row": torch.stack([cut(v) for v in (outer, inner, bare_outer, bare_inner, ho, hi, peak)], 2).float(),
            "state": torch.cat([s, cut(focal)[..., None].to(torch.int8)], 2)}
