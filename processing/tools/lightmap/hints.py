"""What else may be known of a picture's light, as planes that the network sees beside the picture.

Neutral points: marks "this is white or grey here". A flash pair: the frame with flash minus the frame without
is the room under the flash alone, so the ratio of both is the light, whatever the paint.
"""

from __future__ import annotations

import torch
import torch.nn.functional as F  # noqa: N812 - the name that every PyTorch text uses
from torch import Tensor

PAIR_SHARE = 0.3  # of the pictures come with a flash frame
POINT_SHARE = 0.45  # with neutral points
MOST_POINTS = 4
CANDIDATES = 24
POINT_SIGMA_PX = 3.0  # how wide a point is drawn
POINT_WOBBLE = 0.015  # ln units: white paints are not quite alike
FLASH_KELVIN = 5600.0  # common practice for electronic flash, no source
FLASH_KNOWN = 0.5  # share of pairs whose camera tells how a flash looks after its balance, as raw files do
FLASH_WOBBLE = 0.02  # ln units: cameras' matrices are approximate
FLASH_CLIPPED, FLASH_DARK = 0.95, 0.002  # linear levels beyond which a pixel of a pair says nothing
FLASH_NOISE = 0.002  # of the clipping level; decides only whom to believe


def log_chroma(rgb: Tensor) -> Tensor:
    """Return log R/G and log B/G (n, 2, H, W)."""
    logs = rgb.clamp_min(1e-4).log()
    return logs[:, ::2] - logs[:, 1:2]


def flash_planes(ambient: Tensor, with_flash: Tensor, flash_uv: Tensor, known: Tensor) -> Tensor:
    """Return (n, 4, H, W): the light by the pair (log R/G, log B/G) times its weight, the weight, and the
    weight again where the flash's colour `flash_uv` (n, 2) is known (`known`, (n,), 0 or 1).
    """
    flash = with_flash - ambient
    usable = torch.maximum(ambient, with_flash).amax(1, keepdim=True) < FLASH_CLIPPED
    usable &= torch.minimum(ambient, flash).amin(1, keepdim=True) > FLASH_DARK
    variance = 1e-3 + ((FLASH_NOISE / ambient.clamp_min(1e-4)) ** 2).sum(1, keepdim=True)
    variance += ((1.4 * FLASH_NOISE / flash.clamp_min(1e-4)) ** 2).sum(1, keepdim=True)
    weight = torch.where(usable, 1e-3 / variance, torch.zeros_like(variance))
    light = (log_chroma(ambient) - log_chroma(flash)).clamp(-2, 2) + flash_uv[:, :, None, None]
    return torch.cat([light * weight, weight, weight * known.view(-1, 1, 1, 1)], 1)


def point_planes(picture: Tensor, may_mark: Tensor, log_light: Tensor) -> Tensor:
    """Return (n, 3, H, W): log R/G and log B/G at up to four marked places, times their weight, and that.

    The places are drawn among neutral surfaces (`may_mark`, (n, 1, H, W)), each new one far from those before
    in light and place, as someone would mark one in each area of light. Many pictures have none.
    """
    n, _, H, W = picture.shape
    device = picture.device
    score, at = (torch.rand(n, H * W, device=device) * may_mark.flatten(1)).topk(CANDIDATES, 1)
    seen = log_chroma(F.avg_pool2d(picture, 3, 1, 1)).flatten(2)
    uv = torch.gather(seen, 2, at[:, None].expand(n, 2, CANDIDATES))
    uv = uv + torch.randn_like(uv) * POINT_WOBBLE
    light = torch.gather(log_light.flatten(2), 2, at[:, None].expand(n, 2, CANDIDATES))
    y, x = (at // W).float(), (at % W).float()
    traits = torch.cat([light / 0.2, y[:, None] / H, x[:, None] / H], 1)
    apart = torch.full((n, CANDIDATES), 1e3, device=device)
    count = torch.randint(1, MOST_POINTS + 1, (n,), device=device)
    count = count * (torch.rand(n, device=device) < POINT_SHARE)
    yy = torch.arange(H, device=device).view(1, H, 1)
    xx = torch.arange(W, device=device).view(1, 1, W)
    best = torch.zeros(n, 1, H, W, device=device)
    value = torch.zeros(n, 2, H, W, device=device)
    for k in range(MOST_POINTS):
        one = (apart * (score > 0)).argmax(1, keepdim=True)
        mine = torch.gather(traits, 2, one[:, None].expand(n, 4, 1))
        apart = torch.minimum(apart, ((traits - mine) ** 2).sum(1))
        use = ((k < count) & (torch.gather(score, 1, one)[:, 0] > 0)).float().view(n, 1, 1)
        away = (yy - torch.gather(y, 1, one)[:, :, None]) ** 2 + (
            xx - torch.gather(x, 1, one)[:, :, None]
        ) ** 2
        drawn = (use * torch.exp(-0.5 * away / POINT_SIGMA_PX**2))[:, None]
        own = torch.gather(uv, 2, one[:, None].expand(n, 2, 1))[..., None]
        value = torch.where(drawn > best, own.expand_as(value), value)
        best = torch.maximum(best, drawn)
    return torch.cat([value * best, best], 1)
