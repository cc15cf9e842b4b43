"""Homes."""

from __future__ import annotations

import uuid

from django.db import models


class Property(models.Model):
    """A home to be photographed."""

    class Kind(models.TextChoices):
        HOUSE = "house", "House"
        TERRACE = "terrace", "Terraced house"
        FLAT = "flat", "Flat"
        STUDIO = "studio", "Studio flat"
        OTHER = "other", "Something else"

    class Occupied(models.TextChoices):
        OWNER = "owner", "Its owner lives there"
        TENANT = "tenant", "A tenant lives there"
        NOBODY = "nobody", "Nobody lives there now"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    street = models.CharField(max_length=200)
    city = models.CharField(max_length=120)
    postcode = models.CharField(max_length=20, blank=True)
    region = models.CharField(max_length=120, blank=True)
    country_code = models.CharField(max_length=2, blank=True)
    latitude_deg = models.FloatField(null=True, blank=True)
    longitude_deg = models.FloatField(null=True, blank=True)
    kind = models.CharField(max_length=16, choices=Kind.choices, default=Kind.HOUSE)
    floor_area_m2 = models.PositiveIntegerField(null=True, blank=True)
    bedrooms = models.PositiveSmallIntegerField(default=2)
    bathrooms = models.PositiveSmallIntegerField(default=1)
    floors = models.PositiveSmallIntegerField(default=1)
    front_bearing_deg = models.FloatField(null=True, blank=True)
    occupied_by = models.CharField(max_length=16, choices=Occupied.choices, default=Occupied.OWNER)
    notes = models.TextField(blank=True)

    class Meta:
        verbose_name_plural = "properties"

    def __str__(self) -> str:
        return self.address_line

    @property
    def address_line(self) -> str:
        return ", ".join(part for part in (self.street, f"{self.postcode} {self.city}".strip()) if part)

    @property
    def point(self) -> tuple[float, float] | None:
        """Latitude and longitude in degrees, or None when not known."""
        if self.latitude_deg is None or self.longitude_deg is None:
            return None
        return self.latitude_deg, self.longitude_deg
