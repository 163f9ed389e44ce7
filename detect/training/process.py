"""What the programs share that make films where they are learnt from: numbers drawn
for each picture of a batch, and steps of a film's processing.

Pictures are batch × rows × columns, mostly 0 … 1; numbers drawn for them batch × 1 × 1.
"""
import torch


class Draws:
    """Draws a number for each of b pictures: batch, and 1 for each of dims."""

    def __init__(self, b, g, dims=2):
        self.b, self.g, self.dev, self.dims = b, g, g.device, dims

    def even(self, lo=0.0, hi=1.0, dims=None):
        dims = self.dims if dims is None else dims
        return lo + (hi - lo) * torch.rand(self.b, *[1] * dims, generator=self.g, device=self.dev)

    def wide(self, lo, hi, dims=None):
        """Even in its logarithm."""
        return lo * (hi / lo) ** self.even(dims=dims)

    def chance(self, p, dims=None):
        """True for a share p."""
        return self.even(dims=dims) < p

    def some(self, p, v):
        """v for a share p, else 0."""
        return torch.where(self.chance(p, v.dim() - 1), v, torch.zeros_like(v))

    def normal(self, *size):
        """Noise of unit variance, batch × size."""
        return torch.randn(self.b, *size, generator=self.g, device=self.dev)


def quanta(light, grain, share):
    """Light with the noise of its quanta: grain of unit variance, of which a share is seen where light is usual."""
    usual = light.flatten(1).median(1).values[:, None, None]
    return light + grain * share * torch.sqrt(light * usual)


def bent(band, limit, power):
    """A band of detail, with what exceeds the limit made less of (power below 1) or more."""
    return band.sign() * limit * (band.abs() / limit + 1e-4) ** power


def alike(x, low, kept):
    """Contrast made alike everywhere, around 0.5. low blurs a picture; kept is the share of what is left then that stays."""
    mean = low(x)
    return 0.5 + kept * (mean - 0.5) + 0.2 * (x - mean) / (low((x - mean) ** 2).clamp(min=0).sqrt() + 0.05)


def curve(x, steep):
    """A look-up that is steeper in the middle; 0 and 1 stay."""
    return 0.5 + 0.5 * torch.tanh(steep * (x - 0.5)) / torch.tanh(steep / 2)


def coarse(x, levels):
    """Pictures of so many grey levels."""
    return torch.round(x * levels) / levels
