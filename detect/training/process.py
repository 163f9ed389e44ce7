"""What the programs share that make films where they are learnt from: numbers drawn
for each picture of a batch, and the steps of a film from the beam to the screen.

Pictures are batch × rows × columns; numbers drawn for them batch × 1 × 1.
"""
import torch


class Draws:
    """Draws a number for each of b pictures, batch × 1 for each of dims."""

    def __init__(self, b, g, dims=2):
        self.b, self.g, self.dev, self.dims = b, g, g.device, dims

    def even(self, lo=0.0, hi=1.0, dims=None):
        return lo + (hi - lo) * torch.rand(self.b, *[1] * (dims or self.dims), generator=self.g, device=self.dev)

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


def noisy(light, grain, share):
    """Light with the noise of its quanta: grain of unit variance, its standard deviation a share of the light where that is usual."""
    usual = light.flatten(1).median(1).values[:, None, None]
    return light + share * grain * torch.sqrt(light.clamp(min=0) * usual)


def bent(band, limit, power):
    """A band of detail with what exceeds the limit made less of (power below 1), or more."""
    return band.sign() * limit * (band.abs() / limit + 1e-4) ** power


def alike(x, low, kept, wanted, floor):
    """Contrast made alike everywhere. low blurs a picture; kept is the share of the blurred one that stays, and detail
    comes to have the spread wanted, where it has more than some times the floor."""
    mean = low(x)
    spread = low((x - mean) ** 2).clamp(min=0).sqrt()
    return kept * mean + wanted * (x - mean) / (spread + floor)


def windowed(x, lo, hi, every=1, least=1e-4):
    """Pictures whose quantiles lo and hi, of one pixel in so many, become 0 and 1."""
    q = torch.quantile(x.flatten(1)[:, ::every], torch.tensor([lo, hi], device=x.device), dim=1)[:, :, None, None]
    return (x - q[0]) / (q[1] - q[0]).clamp(min=least)


def curve(x, steep, middle=0.5):
    """A look-up steep in the middle and flat at both ends, which stay at 0 and 1 for middle 0.5."""
    return 0.5 + 0.5 * torch.tanh(steep * (x - middle) / 2) / torch.tanh(steep / 4)


def coarse(x, levels):
    """Pictures of so many grey levels."""
    return torch.round(x * levels) / levels
