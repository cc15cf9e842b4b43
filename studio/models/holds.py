"""Times that are kept for a short while."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models
from django.utils import timezone


class Hold(models.Model):
    """A time kept for an agent who is filling in a request; `studio.holding` makes, moves and ends it."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    client = models.ForeignKey("Client", on_delete=models.CASCADE, related_name="holds")
    photographer = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="holds")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    held_until = models.DateTimeField()
    created_at = models.DateTimeField(default=timezone.now)
    # Where the home is, as far as it was written by then: the way to it is kept free too.
    postcode = models.CharField(max_length=20, blank=True)
    latitude_deg = models.FloatField(null=True, blank=True)
    longitude_deg = models.FloatField(null=True, blank=True)

    class Meta:
        ordering = ["held_until", "pk"]
        indexes = [models.Index(fields=["photographer", "starts_at"])]

    def __str__(self) -> str:
        return f"a time kept for {self.client}"
