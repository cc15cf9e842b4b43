"""The owner's zones: parts of the land by how postcodes begin, and the ways between them."""

from __future__ import annotations

from django.db import models


class Zone(models.Model):
    """Homes whose postcodes begin alike; `studio.zone_files` writes them, all at once."""

    name = models.CharField(max_length=80, unique=True)
    prefixes = models.JSONField(default=list, help_text="Beginnings of postcodes, no blanks, capitals.")
    minutes = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Of a way inside the zone; empty: not known."
    )
    fee_minor = models.PositiveIntegerField(
        default=0, help_text="For a visit in the zone that the business starts from."
    )
    latitude_deg = models.FloatField(null=True, blank=True)
    longitude_deg = models.FloatField(null=True, blank=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name

    @property
    def point(self) -> tuple[float, float] | None:
        """Latitude and longitude in degrees of the zone's middle, or None when not given."""
        if self.latitude_deg is None or self.longitude_deg is None:
            return None
        return self.latitude_deg, self.longitude_deg


class ZoneWay(models.Model):
    """Minutes and fee of the way from one zone to another; the way back has its own row."""

    start = models.ForeignKey(Zone, on_delete=models.CASCADE, related_name="ways_out")
    goal = models.ForeignKey(Zone, on_delete=models.CASCADE, related_name="ways_in")
    minutes = models.PositiveSmallIntegerField()
    fee_minor = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["start__name", "goal__name"]
        constraints = [models.UniqueConstraint(fields=["start", "goal"], name="zone_way_once")]

    def __str__(self) -> str:
        return f"{self.start} to {self.goal}"
