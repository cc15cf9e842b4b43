"""From white-lit components to training pictures: denoise, colour, balance, expose, clip, quantise.

Everything is on torch tensors, batch first; pictures are linear sRGB (n, 3, H, W).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812 - the name that every PyTorch text uses
from torch import Tensor

from . import hints, lights

LUMA = torch.tensor(lights.LUMA_709)


# --- denoising ---------------------------------------------------------------------------------------------
def denoise(planes: Tensor) -> Tensor:
    """Turn the tracer's planes (n, 36, H, W) into (n, 20, H, W).

    Out come 12 components, view, albedo, emitter share and view share.

    Indirect light is divided by the albedo and filtered without crossing edges of normal, depth or emitter
    (edge-avoiding a-trous wavelets, Dammertz et al. 2010).
    """
    n, _, H, W = planes.shape
    albedo = planes[:, 27:30].clamp_min(0.02)

    def by_albedo(x: Tensor) -> Tensor:
        return (x.view(n, 4, 3, H, W) / albedo[:, None]).view(n, 12, H, W)

    indirect, direct = by_albedo(planes[:, 12:24]), by_albedo(planes[:, :12])
    guide = torch.cat([planes[:, 32:35], planes[:, 35:36] * 3, planes[:, 30:32] * 4], 1)
    around = F.avg_pool2d(F.pad(indirect, (2,) * 4, mode="replicate"), 5, 1)
    indirect = torch.minimum(indirect, 2.5 * around)  # fireflies
    for step in (1, 2, 4):
        indirect = _a_trous(indirect, guide, step, (0.0625, 0.25, 0.375, 0.25, 0.0625), 0.08)
    level = direct.view(n, 4, 3, H, W).mean(2) + 0.3 * indirect.view(n, 4, 3, H, W).mean(2)
    smooth = _a_trous(direct, guide, 1, (0.25, 0.5, 0.25), 0.05, torch.log(level.clamp_min(1e-6)))
    direct = torch.where(planes[:, 30:31] > 0.01, direct, smooth)
    lit = ((direct + indirect).view(n, 4, 3, H, W) * albedo[:, None]).view(n, 12, H, W)
    return torch.cat([lit, planes[:, 24:32]], 1)


def _a_trous(
    x: Tensor, guide: Tensor, step: int, kernel: tuple[float, ...], sigma: float, level: Tensor | None = None
) -> Tensor:
    H, W = x.shape[-2:]
    pad = (step * (len(kernel) // 2),) * 4
    xp, gp = F.pad(x, pad, mode="replicate"), F.pad(guide, pad, mode="replicate")
    lp = F.pad(level, pad, mode="replicate") if level is not None else None
    total = torch.zeros_like(x)
    weights = torch.zeros_like(x[:, :1] if level is None else level)
    for i, a in enumerate(kernel):
        for j, b in enumerate(kernel):
            at = (slice(None), slice(None), slice(i * step, i * step + H), slice(j * step, j * step + W))
            w = torch.exp(-((gp[at] - guide) ** 2).sum(1, keepdim=True) / sigma) * (a * b)
            if level is not None and lp is not None:
                w = w * torch.exp(-((lp[at] - level).abs() / 0.2))
                total += xp[at] * w.repeat_interleave(3, 1)
            else:
                total += xp[at] * w
            weights += w
    if level is not None:
        weights = weights.repeat_interleave(3, 1)
    return total / weights.clamp_min(1e-8)


# --- encoding --------------------------------------------------------------------------------------------
def encode_srgb(x: Tensor) -> Tensor:
    x = x.clamp(0, 1)
    return torch.where(x <= 0.0031308, 12.92 * x, 1.055 * x.clamp_min(1e-7) ** (1 / 2.4) - 0.055)


def decode_srgb(x: Tensor) -> Tensor:
    return torch.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)


# --- mixing ----------------------------------------------------------------------------------------------
@dataclass
class Mixed:
    """A batch of training pictures and what is known of them."""

    picture: Tensor  # (n, 3, H, W) linear, balanced, exposed, clipped
    log_light: Tensor  # (n, 2, H, W) log R/G and log B/G of the local light after the camera's balance
    weight: Tensor  # (n, 1, H, W) how far a pixel counts
    neutral: Tensor  # (n, 3, H, W) the same room with every light white, bounce colour kept
    is_neutral: Tensor  # (n, 1, H, W) 1 where the surface's own colour is white or grey
    hints: Tensor  # (n, 7, H, W) what is known besides, see `hints.py`; nought in many pictures


class Mixer:
    """Draws lights, gains, balances and exposures for denoised rooms."""

    def __init__(self, device: str, seed: int = 0) -> None:
        self.device = device
        self.tables = {
            kind: torch.tensor(rows, dtype=torch.float32, device=device)
            for kind, rows in lights.tables(100_000, seed).items()
        }
        self.luma = LUMA.to(device)
        usual_flash = lights.light_rgb(np.array([hints.FLASH_KELVIN]), np.zeros(1))
        self.usual_flash = torch.tensor(usual_flash, dtype=torch.float32, device=device)
        self.spread, self.usual, self.often = (
            torch.tensor(row, device=device)
            for row in ((0.5, 0.8, 0.7, 0.6), (0.75, 0.3, 0.42, 0.5), (0.9, 0.88, 0.9, 0.15))
        )  # of ceiling lights, lamps, daylight, flash: made once, so that a step can be recorded

    def __call__(self, rooms: Tensor) -> Mixed:
        n = len(rooms)
        parts, view, view_share, emitters, albedo = self._parts(rooms)
        paired = self._chance(n, hints.PAIR_SHARE)
        gains = self._gains(parts, ~paired)
        colours = self._colours(n)
        white = (parts * gains[:, :, None, None, None]).contiguous()
        lin = (white * colours[:, :, :, None, None]).sum(1)
        neutral = white.sum(1)
        outside = view * (self._median(neutral) * 2 ** self._uniform(n, 1.5, 6.0)).view(n, 1, 1, 1)
        neutral = neutral + outside
        lin = lin + outside * colours[:, 2, :, None, None]
        balance = self._balance(lin, colours, gains, view_share, emitters)
        balanced = lin / balance[:, :, None, None]
        cast = balanced / neutral.clamp_min(1e-7)
        flash, flash_uv = self._flash(parts[:, 3], neutral, balance)
        picture, with_flash = self._expose(balanced, balanced + flash, paired)
        log_light = torch.stack([_log_ratio(cast, 0), _log_ratio(cast, 2)], 1)
        weight = self._weights(picture, neutral, view_share, emitters)
        is_neutral = _is_neutral(albedo)
        pair = hints.flash_planes(picture, with_flash, *flash_uv) * paired.view(n, 1, 1, 1)
        points = hints.point_planes(picture, is_neutral * (weight > 0.5), log_light)
        return Mixed(
            picture,
            log_light,
            weight,
            neutral / self._median(neutral).view(n, 1, 1, 1),
            is_neutral,
            torch.cat([points, pair], 1),
        )

    def _flash(self, unit: Tensor, ambient: Tensor, balance: Tensor) -> tuple[Tensor, tuple[Tensor, Tensor]]:
        """Return the flash's own part of the second frame (n, 3, H, W), balanced; its colour as it is assumed
        after the camera's balance, log R/G and log B/G (n, 2), and whether that is known.
        """
        n = len(unit)
        level = self._luminance(unit).flatten(1)[:, ::7].sort(-1).values
        median, bright = (level[:, int(share * level.shape[-1])] for share in (0.5, 0.85))
        gain = self._median(ambient) / torch.maximum(median, 0.3 * bright).clamp_min(1e-6)
        gain = torch.where(bright > 1e-6, gain, torch.zeros_like(gain)) * 2 ** self._uniform(n, -2.5, 1.5)
        flash = unit * (gain[:, None] * self._pick("flash", n) / balance)[:, :, None, None]
        known = self._chance(n, hints.FLASH_KNOWN)
        assumed = self.usual_flash / balance
        uv = torch.log(assumed[:, ::2] / assumed[:, 1:2])
        uv = uv + torch.randn_like(uv) * hints.FLASH_WOBBLE
        return flash, (uv * known[:, None], known.float())

    def _uniform(self, n: int, low: float, high: float) -> Tensor:
        return torch.rand(n, device=self.device) * (high - low) + low

    def _chance(self, n: int, share: float) -> Tensor:
        return torch.rand(n, device=self.device) < share

    def _pick(self, kind: str, n: int) -> Tensor:
        return self.tables[kind][torch.randint(0, 100_000, (n,), device=self.device)]

    def _luminance(self, x: Tensor) -> Tensor:
        return (x * self.luma.view(3, 1, 1)).sum(-3)

    def _median(self, x: Tensor) -> Tensor:
        return self._luminance(x).flatten(1)[:, ::7].median(-1).values.clamp_min(1e-6)

    def _parts(self, rooms: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:
        """Return components, view, view share, emitters, albedo; half mirrored, a few with other paints."""
        n, _, H, W = rooms.shape
        rooms = torch.where(self._chance(n, 0.5).view(n, 1, 1, 1), rooms.flip(-1), rooms).float()
        parts = rooms[:, :12].view(n, 4, 3, H, W)
        order = torch.rand(n, 3, device=self.device).argsort(1)
        same = torch.arange(3, device=self.device)[None].expand(n, 3)
        order = torch.where(self._chance(n, 0.06)[:, None], order, same)
        parts = torch.gather(parts, 2, order.view(n, 1, 3, 1, 1).expand_as(parts))
        return parts, rooms[:, 12:15], rooms[:, 19:20], rooms[:, 18:19], rooms[:, 15:18]

    def _gains(self, parts: Tensor, may_flash: Tensor) -> Tensor:
        """Return the strength of each group of lights (n, 4); at least one burns. The flash burns only where
        it may: the first frame of a pair is without.
        """
        n = len(parts)
        level = self._luminance(parts).flatten(2)[:, :, ::7]
        ranked = level.sort(-1).values
        median, bright = (ranked[..., int(share * ranked.shape[-1])] for share in (0.5, 0.85))
        scale = 0.18 / torch.maximum(median, 0.3 * bright).clamp_min(1e-6)
        scale = torch.where(bright > 1e-6, scale, torch.zeros_like(scale))
        gains = torch.exp(torch.randn(n, 4, device=self.device) * self.spread) * self.usual
        gains[:, 1] *= torch.where(self._chance(n, 0.15), 3.0, 1.0)  # next rooms and lamps at full strength
        burns = (torch.rand(n, 4, device=self.device) < self.often).float()
        burns[:, 3] *= may_flash
        gains = gains * burns * scale
        dark = (gains.sum(1) <= 0).float()
        gains[:, 0] += dark * scale[:, 0]
        gains[:, 2] += dark * scale[:, 2]
        return gains + 1e-9

    def _colours(self, n: int) -> Tensor:
        """Return the lights' colours (n, 4, 3)."""

        def either(share: float, first: str, second: str) -> Tensor:
            return torch.where(self._chance(n, share)[:, None], self._pick(first, n), self._pick(second, n))

        ceiling = torch.where(
            self._chance(n, 0.95)[:, None], either(0.47, "bulb", "tube"), self._pick("day", n)
        )
        lamps = torch.where(self._chance(n, 0.15)[:, None], ceiling, either(0.72, "bulb", "tube"))
        return torch.stack([ceiling, lamps, self._pick("day", n), either(0.75, "flash", "tube")], 1)

    def _unit(self, colour: Tensor) -> Tensor:
        return colour / (colour * self.luma).sum(1, keepdim=True).clamp_min(1e-5)

    def _balance(
        self, lin: Tensor, colours: Tensor, gains: Tensor, view_share: Tensor, emitters: Tensor
    ) -> Tensor:
        """Return what the camera took for white (n, 3).

        One of the lights, a preset, the picture's mean, or a blend.
        """
        n = len(lin)
        level = self._luminance(lin)[:, None]
        counts = (
            (1 - view_share) * (1 - emitters).clamp(0, 1) * (level < 4 * self._median(lin).view(n, 1, 1, 1))
        )
        mean = self._unit((lin * counts).sum((2, 3)) / counts.sum((2, 3)).clamp_min(1))
        shares = torch.rand(n, 4, device=self.device) ** 2 * (gains > 1e-8)
        blend = self._unit((shares[:, :, None] * colours).sum(1).clamp_min(1e-4))
        k = torch.rand(n, device=self.device)
        which = torch.where(k < 0.33, 0, torch.where(k < 0.4, 1, 2))
        one = colours[torch.arange(n, device=self.device), which]
        k = torch.rand(n, device=self.device)[:, None]
        half = self._unit(mean * 0.5 + blend * 0.5)
        balance = torch.where(k < 0.9, half, blend)
        for below, choice in ((0.78, mean), (0.55, self._pick("preset", n)), (0.32, one)):
            balance = torch.where(k < below, choice, balance)
        wobble = torch.exp(torch.randn(n, 3, device=self.device) * 0.02)
        return self._unit((balance * wobble).clamp_min(0.02))

    def _expose(self, balanced: Tensor, with_flash: Tensor, paired: Tensor) -> tuple[Tensor, Tensor]:
        """Expose both frames alike: shade corners, add noise, bend the tones of some that are no pair, clip,
        quantise some to 8 bits.
        """
        n, _, H, W = balanced.shape
        stops = torch.where(self._chance(n, 0.12), self._uniform(n, 1.1, 2.4), self._uniform(n, -1.6, 1.1))
        yy, xx = torch.meshgrid(
            torch.linspace(-1, 1, H, device=self.device) * H / W,
            torch.linspace(-1, 1, W, device=self.device),
            indexing="ij",
        )
        r2 = (xx**2 + yy**2) / (1 + (H / W) ** 2)
        factor = (0.19 * 2**stops / self._median(balanced)).view(n, 1, 1, 1)
        factor = factor * 2 ** (-self._uniform(n, 0, 1.4).view(n, 1, 1, 1) * (0.75 * r2 + 0.25 * r2 * r2))
        sigma = (10 ** self._uniform(n, -4.2, -2.6)).view(n, 1, 1, 1)
        bent = self._chance(n, 0.25) & ~paired
        in_8_bits = self._chance(n, 0.6).view(n, 1, 1, 1)

        def frame(scene: Tensor) -> Tensor:
            x = scene * factor
            return x + torch.randn_like(x) * (x.clamp(0, 4) * sigma * 0.05 + sigma**2).sqrt() * 0.5

        def stored(x: Tensor) -> Tensor:
            x = x.clamp(0, 1)
            eight = torch.round(encode_srgb(x) * 255 + (torch.rand_like(x) - 0.5) * 0.6) / 255
            return torch.where(in_8_bits, decode_srgb(eight), x)

        x = frame(balanced)
        x = torch.where(bent.view(n, 1, 1, 1), self._look(x.clamp(0, 4)), x)
        return stored(x), stored(frame(with_flash))

    def _look(self, x: Tensor) -> Tensor:
        """Bend tones and saturation a little, as a camera's own JPEG does."""
        n = len(x)
        grey = self._luminance(x)[:, None]
        x = (grey + (x - grey) * self._uniform(n, 0.9, 1.25).view(n, 1, 1, 1)).clamp_min(0)
        g = self._uniform(n, 0.85, 1.2).view(n, 1, 1, 1)
        return x.clamp_min(1e-6) ** g

    def _weights(self, picture: Tensor, neutral: Tensor, view_share: Tensor, emitters: Tensor) -> Tensor:
        high, low = picture.amax(1, keepdim=True), picture.amin(1, keepdim=True)
        seen = (high < 0.97) & (low > 0.003) & (self._luminance(neutral)[:, None] > 1e-6)
        indoors = torch.where(view_share > 0.05, 0.2, 1.0)
        return seen * (1 - emitters).clamp(0, 1) * indoors + 0.03 * (high >= 0.97)


def _log_ratio(x: Tensor, channel: int) -> Tensor:
    return torch.log(x[:, channel].clamp_min(1e-3) / x[:, 1].clamp_min(1e-3))


def _is_neutral(albedo: Tensor) -> Tensor:
    high, low = albedo.amax(1, keepdim=True), albedo.amin(1, keepdim=True)
    return (high - low < 0.05 * high).float()
