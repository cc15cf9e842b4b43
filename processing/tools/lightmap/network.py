"""The network: a small U-Net of depth-wise convolutions with global context.

In: eight planes of the picture and seven of hints at 192 x 128 (`features`). Out: log R/G and log B/G of the
local light and a log scale of how far off the answer may be. A picture of any ratio, upright ones too, is
squeezed to that size.
"""

from __future__ import annotations

import torch
import torch.nn.functional as F  # noqa: N812 - the name that every PyTorch text uses
from torch import Tensor, nn

WIDTH, HEIGHT = 192, 128
PICTURE_PLANES = 8  # what the picture itself says
HINT_PLANES = 7  # and what else is known: neutral points, a flash pair (see `hints.py`)
PLANES = PICTURE_PLANES + HINT_PLANES
FLOOR = 0.004  # keeps logarithms of dark pixels quiet


def features(picture: Tensor, hints: Tensor | None = None) -> Tensor:
    """Return (n, PLANES, H, W), what the network sees of a picture.

    Log R/G, log B/G, log level, three clip flags, height, way from the middle, and the hints; nought where
    there are none.
    """
    n, _, H, W = picture.shape
    r, g, b = (picture[:, i : i + 1] + FLOOR for i in range(3))
    level = torch.log(picture.mean(1, keepdim=True) + FLOOR) * 0.4 + 1
    clipped = (picture > 0.96).to(picture.dtype)
    up = torch.linspace(-1, 1, H, device=picture.device).view(1, 1, H, 1).expand(n, 1, H, W)
    across = torch.linspace(-1, 1, W, device=picture.device).abs().view(1, 1, 1, W).expand(n, 1, H, W)
    if hints is None:
        hints = torch.zeros(n, HINT_PLANES, H, W, device=picture.device)
    return torch.cat([torch.log(r / g), torch.log(b / g), level, clipped, up, across, hints], 1)


class Block(nn.Module):
    """Depth-wise 5 x 5, then two 1 x 1, added to what came in."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        self.dw = nn.Conv2d(channels, channels, 5, padding=2, groups=channels, bias=False)
        self.n = nn.BatchNorm2d(channels)
        self.a = nn.Conv2d(channels, 2 * channels, 1)
        self.b = nn.Conv2d(2 * channels, channels, 1)

    def forward(self, x: Tensor) -> Tensor:
        return x + self.b(F.relu(self.a(self.n(self.dw(x)))))


class Context(nn.Module):
    """Scale and shift every channel by what the whole picture says (its mean and its largest)."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        self.a = nn.Linear(2 * channels, channels)
        self.b = nn.Linear(channels, 2 * channels)

    def forward(self, x: Tensor) -> Tensor:
        whole = torch.cat([x.mean((2, 3)), x.amax((2, 3))], 1)
        scale, shift = self.b(F.relu(self.a(whole))).chunk(2, 1)
        return x * (1 + torch.tanh(scale))[:, :, None, None] + shift[:, :, None, None]


def _encoder_stage(level: int, channels: int, blocks: int) -> nn.Sequential:
    parts: list[nn.Module] = [Block(channels) for _ in range(blocks)]
    if level >= 1:
        parts.append(Context(channels))
    if level >= 3:
        parts.append(Block(channels))
    return nn.Sequential(*parts)


def _decoder_stage(level: int, channels: int) -> nn.Sequential:
    parts: list[nn.Module] = [Block(channels)]
    if level >= 1:
        parts += [Context(channels), Block(channels)]
    return nn.Sequential(*parts)


class LightNet(nn.Module):
    """One light for the whole picture (`gl`) plus what differs from it locally (`head`)."""

    def __init__(
        self,
        planes: int = PLANES,
        widths: tuple[int, ...] = (32, 56, 88, 128, 160),
        blocks: tuple[int, ...] = (1, 2, 2, 2, 3),
    ) -> None:
        super().__init__()
        w, last = widths, len(widths) - 1
        self.stem = nn.Sequential(
            nn.Conv2d(planes, w[0], 4, stride=2, padding=1), nn.ReLU(), nn.Conv2d(w[0], w[0], 3, padding=1)
        )
        self.enc = nn.ModuleList(_encoder_stage(i, w[i], blocks[i]) for i in range(last + 1))
        self.down = nn.ModuleList(
            nn.Conv2d(w[i], w[i + 1], 2, stride=2) if i < last else nn.Identity() for i in range(last + 1)
        )
        self.up = nn.ModuleList(nn.Conv2d(w[i + 1], w[i], 1) for i in range(last))
        self.dec = nn.ModuleList(_decoder_stage(i, w[i]) for i in range(last))
        self.f0 = nn.Conv2d(planes, 16, 3, padding=1)
        self.f1 = nn.Conv2d(w[0], 16, 1)
        self.f2 = nn.Conv2d(16, 16, 3, padding=1)
        self.head = nn.Conv2d(16, 3, 1)
        self.gl = nn.Linear(2 * w[-1], 2)
        for layer in (self.head, self.gl):
            nn.init.zeros_(layer.weight)
            nn.init.zeros_(layer.bias)

    def forward(self, planes: Tensor) -> Tensor:
        x, kept = self.stem(planes), []
        for stage, down in zip(self.enc, self.down, strict=True):
            kept.append(stage(x))
            x = down(kept[-1])
        whole = self.gl(torch.cat([x.mean((2, 3)), x.amax((2, 3))], 1)).float()
        for i in reversed(range(len(self.dec))):
            x = F.interpolate(self.up[i](x), scale_factor=2.0, mode="bilinear", align_corners=False) + kept[i]
            x = self.dec[i](x)
        x = F.interpolate(self.f1(x), scale_factor=2.0, mode="bilinear", align_corners=False)
        local = self.head(F.relu(self.f2(F.relu(x + self.f0(planes))))).float()
        return torch.cat([local[:, :2] + whole[:, :, None, None], local[:, 2:3] - 2.0], 1)


def load(net: nn.Module, weights: dict[str, Tensor]) -> None:
    """Load weights, also of a network with fewer planes (new ones start without effect) or more (then cut).

    A hint that is not given is nought, so a network without its planes gives the same answer.
    """
    own = net.state_dict()
    for name in ("stem.0.weight", "f0.weight"):
        lacking = own[name].shape[1] - weights[name].shape[1]
        if lacking:  # F.pad cuts where it is below nought
            weights = {**weights, name: F.pad(weights[name], (0, 0, 0, 0, 0, lacking))}
    net.load_state_dict(weights)


def angle_deg(truth: Tensor, answer: Tensor) -> Tensor:
    """Return the angle (n, H, W) between the light colours of two log maps, degrees."""

    def colour(log_map: Tensor) -> Tensor:
        return torch.stack([log_map[:, 0].exp(), torch.ones_like(log_map[:, 0]), log_map[:, 1].exp()], 1)

    cosine = F.cosine_similarity(colour(truth), colour(answer), 1)
    return torch.rad2deg(torch.acos(cosine.clamp(-1, 1 - 1e-7)))
