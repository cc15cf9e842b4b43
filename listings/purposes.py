"""What copies are for: the purposes every studio begins with. The owner edits them; they are made once."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from listings.models import Purpose

SCREEN = "screen"

# Sizes and limits are common practice of listing services, the web and printers, without a standard:
# 2048 px and well under 10 MB are taken nearly everywhere; 300 dpi is what printers ask for.
DEFAULTS: dict[str, dict[str, Any]] = {
    "listing": {
        "name": "Listing service",
        "help": "2048 pixels wide, under 5 MB each: what listing services take.",
        "long_edge_px": 2048,
        "max_megabytes": Decimal(5),
        "quality": 90,
        "dpi": 72,
    },
    "web": {
        "name": "Web",
        "help": "1600 pixels wide and light: for a website, mail and messages.",
        "long_edge_px": 1600,
        "max_megabytes": Decimal(1),
        "quality": 84,
        "dpi": 72,
    },
    "print": {
        "name": "Print",
        "help": "Every pixel, marked 300 dpi: for brochures and windows.",
        "long_edge_px": None,
        "quality": 95,
        "dpi": 300,
    },
    "full": {
        "name": "Full size",
        "help": "Every pixel: to keep.",
        "long_edge_px": None,
        "quality": 92,
        "dpi": 72,
    },
    SCREEN: {
        "name": "Screen",
        "help": "What the gallery shows; not offered for download.",
        "long_edge_px": 1280,
        "quality": 82,
        "dpi": 72,
        "is_offered": False,
    },
}


def ensure() -> list[Purpose]:
    """Make the purposes that are not there yet, whoever calls, and return all of them."""
    known = set(Purpose.objects.values_list("slug", flat=True))
    for position, (slug, values) in enumerate(DEFAULTS.items()):
        if slug not in known:
            Purpose.objects.get_or_create(slug=slug, defaults=values | {"position": position})
    return list(Purpose.objects.all())
