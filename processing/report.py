"""The report's entry of one picture, as the command line writes it (`version` 1)."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from .plan import Plan, as_plain
from .quality import Quality
from .warp import Warp

REPORT_VERSION = 1


def entry(
    *,
    paths: Sequence[Path | str],
    plan: Plan,
    warp: Warp,
    output: str,
    size: tuple[int, int],
    figures: Quality,
    stage_seconds: Mapping[str, float],
    left: Sequence[str | None] = (),
) -> dict[str, Any]:
    """One picture's entry; plain values only.

    Parameters
    ----------
    warp : the map that made the file
    left : for each removal of the plan None, or why it was not done
    size : (width, height) of the written file; smaller than the map's when the purpose is smaller
    """
    curve, level = plan.curve, plan.level
    evs = [use.ev for use in plan.frames if not use.is_flash]
    return as_plain(
        {
            "inputs": [str(path) for path in paths],
            "reference": plan.reference,
            "kind": plan.kind,
            "output": output,
            "width": size[0],
            "height": size[1],
            "geometry": {
                "lens": {
                    "source": curve.source,
                    "model": curve.model,
                    "coefficients": list(curve.coefficients),
                    "corner_shift_percent": round(curve.corner_shift_percent, 3),
                    "why": curve.why,
                },
                "roll_deg": round(level.roll_deg, 4),
                "pitch_deg": round(level.pitch_deg, 4),
                "focal_px": round(plan.focal_px, 2),
                "level": level.level,
                "why": level.why,
                "grid": scaled_grid(warp, size),
                "kept_share": plan.crop.kept_share,
            },
            "light": {
                "areas": [
                    {
                        "share": area.share,
                        "kelvin": area.kelvin,
                        "duv": area.duv,
                        "cast_before": list(area.cast_before),
                        "cast_after": None if area.cast_after is None else list(area.cast_after),
                    }
                    for area in plan.light.areas
                ],
                "method": plan.light.method,
                "why": plan.light.why,
            },
            "exposure": {
                "frames": len(plan.frames),
                "span_ev": round(max(evs) - min(evs), 2) if evs else 0.0,
                "moved_px": [use.alignment.moved_px for use in plan.frames],
                "moving_share": plan.moving_share,
                "applied_ev": plan.tone.applied_ev,
            },
            "quality": {
                "tilt_deg": figures.tilt_deg,
                "sharpness": figures.sharpness,
                "clipped_high": round(figures.clipped_high, 5),
                "clipped_low": round(figures.clipped_low, 5),
                "noise": figures.noise,
                "neutral_cast": figures.neutral_cast,
                "needs_look": list(figures.needs_look),
            },
            "removals": [
                one.to_json() | {"done": why is None, "why": why or ""}
                for one, why in zip(plan.removals, left, strict=True)
            ],
            "notes": list(plan.notes),
            "stage_seconds": {stage: round(seconds, 3) for stage, seconds in stage_seconds.items()},
        }
    )


def scaled_grid(warp: Warp, size: tuple[int, int]) -> list[list[float | None]]:
    """The map's 33 x 33 points, their out coordinates in pixels of a file of `size`."""
    grid = warp.grid33()
    if size == warp.out_size:
        return grid
    zoom_x, zoom_y = size[0] / warp.out_size[0], size[1] / warp.out_size[1]
    return [
        [x, y, u, v]
        if u is None or v is None
        else [x, y, round((u + 0.5) * zoom_x - 0.5, 4), round((v + 0.5) * zoom_y - 0.5, 4)]
        for x, y, u, v in grid
    ]
