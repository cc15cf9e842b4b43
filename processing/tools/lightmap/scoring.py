"""What a finished picture would show: distances in a*b* after the light is taken away, by kind of surface.

The kinds are those of the bench: neutral, pale (truth C* 4 to 25) and strong (above 25).
"""

from __future__ import annotations

from functools import lru_cache

import torch
from torch import Tensor

from .mixing import LUMA, Mixed

XYZ_ROWS = torch.tensor(  # IEC 61966-2-1, each row over the white point's share (D65)
    [
        [0.4124564 / 0.95047, 0.3575761 / 0.95047, 0.1804375 / 0.95047],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339 / 1.08883, 0.1191920 / 1.08883, 0.9503041 / 1.08883],
    ]
)
KINDS = ("neutral", "pale", "strong")


@lru_cache
def _constants(device: torch.device) -> tuple[Tensor, Tensor]:
    return XYZ_ROWS.to(device), LUMA.to(device).view(3, 1, 1)


def lab(rgb: Tensor) -> Tensor:
    """Return CIE L*a*b* (n, 3, H, W) of linear sRGB."""
    xyz = torch.einsum("ij,njhw->nihw", _constants(rgb.device)[0], rgb)
    f = torch.where(xyz > 216 / 24389, xyz.clamp_min(1e-6) ** (1 / 3), (24389 / 27 * xyz + 16) / 116)
    return torch.stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], 1)


def _of_luminance(rgb: Tensor, luminance: Tensor) -> Tensor:
    have = (rgb * _constants(rgb.device)[1]).sum(1, keepdim=True)
    return rgb * (luminance / have.clamp_min(1e-6))


def corrected(mixed: Mixed, answer: Tensor) -> tuple[Tensor, Tensor]:
    """Return a*b* (n, 2, H, W) of the picture divided by the answered light, and of the truth.

    Both stand at the lightness that a bright, open picture gives the place.
    """
    luma = _constants(answer.device)[1]
    level = (0.3 * (mixed.neutral * luma).sum(1, keepdim=True).clamp_min(1e-4) ** 0.7).clamp(0.03, 0.8)
    off = (mixed.log_light - answer[:, :2]).clamp(-4, 4).exp()
    lit = mixed.neutral * torch.stack([off[:, 0], torch.ones_like(off[:, 0]), off[:, 1]], 1)
    return lab(_of_luminance(lit, level))[:, 1:], lab(_of_luminance(mixed.neutral, level))[:, 1:]


def kinds(mixed: Mixed) -> Tensor:
    """Return (n, 3, H, W): 1 where a pixel counts as neutral, pale, strong."""
    truth = lab((mixed.neutral * 0.19 * 1.5).clamp(0, 1))
    chroma = (truth[:, 1:] ** 2).sum(1, keepdim=True).sqrt()
    painted = (mixed.is_neutral < 0.5) & (truth[:, :1] > 20)
    classes = [mixed.is_neutral > 0.5, painted & (chroma > 4) & (chroma <= 25), painted & (chroma > 25)]
    return torch.cat([c.float() for c in classes], 1) * (mixed.weight > 0.5)


@torch.no_grad()
def figures(mixed: Mixed, answer: Tensor) -> dict[str, Tensor]:
    """Return one value a picture: median and p90 of the distance by kind, ratio of chroma on paint."""
    have, want = corrected(mixed, answer)
    miss, shares = (have - want).pow(2).sum(1).sqrt(), kinds(mixed)
    ratio = have.pow(2).sum(1).sqrt() / want.pow(2).sum(1).sqrt().clamp_min(1)
    found: dict[str, Tensor] = {}
    for i, name in enumerate(KINDS):
        blank = torch.where(shares[:, i] > 0, miss, torch.nan).flatten(1)
        found[name] = blank.nanmedian(1).values
        found[f"{name}_p90"] = torch.nanquantile(blank, 0.9, dim=1)
        if i:
            chroma = torch.where(shares[:, i] > 0, ratio, torch.nan).flatten(1)
            found[f"{name}_chroma"] = chroma.nanmedian(1).values
    return found
