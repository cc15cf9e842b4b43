"""Deliveries: ordered sets sent to a client, and the galleries that show them."""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING, Any

from django.conf import settings
from django.db import models
from django.utils import timezone

if TYPE_CHECKING:
    from .pictures import PictureCopy


class Purpose(models.Model):
    """What a copy is for: its size, weight and name. The owner's to edit."""

    name = models.CharField(max_length=80)
    slug = models.SlugField(unique=True)
    help = models.CharField(max_length=200, blank=True)
    long_edge_px = models.PositiveIntegerField(null=True, blank=True, help_text="Empty: full size.")
    max_megabytes = models.DecimalField(max_digits=6, decimal_places=2, null=True, blank=True)
    quality = models.PositiveSmallIntegerField(default=92)
    dpi = models.PositiveSmallIntegerField(default=72)
    name_pattern = models.CharField(max_length=120, default="{order:02d}-{room}")
    is_offered = models.BooleanField(default=True)
    position = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["position", "pk"]

    def __str__(self) -> str:
        return self.name


class Delivery(models.Model):
    """An ordered set. Once sent, its items and their corrections stay as they were."""

    class State(models.TextChoices):
        BEING_BUILT = "being_built", "Being built"
        SENT = "sent", "Sent"
        WITHDRAWN = "withdrawn", "Withdrawn"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    booking = models.ForeignKey("studio.Booking", on_delete=models.CASCADE, related_name="deliveries")
    state = models.CharField(max_length=16, choices=State.choices, default=State.BEING_BUILT)
    message = models.TextField(blank=True)
    licence_text = models.TextField(blank=True)
    licence_until = models.DateField(null=True, blank=True)
    consent = models.CharField(
        max_length=300,
        blank=True,
        help_text="Where a tenant lives in the home: who agreed to the pictures, when, and how.",
    )
    version = models.PositiveIntegerField(default=0)
    created_at = models.DateTimeField(default=timezone.now)
    sent_at = models.DateTimeField(null=True, blank=True)
    sent_by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL)

    class Meta:
        ordering = ["-created_at"]
        verbose_name_plural = "deliveries"

    def __str__(self) -> str:
        return f"delivery {self.pk} of {self.booking_id}"


class DeliveryItem(models.Model):
    """One picture's place in a delivery."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    delivery = models.ForeignKey(Delivery, on_delete=models.CASCADE, related_name="items")
    picture = models.ForeignKey("Picture", on_delete=models.PROTECT, related_name="delivery_items")
    correction = models.ForeignKey(
        "Correction",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="delivery_items",
        help_text="The version that was sent; empty while the delivery is being built.",
    )
    position = models.PositiveSmallIntegerField(default=0)
    caption = models.CharField(max_length=240, blank=True)
    alt_text = models.CharField(max_length=400, blank=True)
    copies: models.ManyToManyField[PictureCopy, Any] = models.ManyToManyField(
        "PictureCopy", blank=True, related_name="items", help_text="The files that were sent, one a purpose."
    )

    class Meta:
        ordering = ["position", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["delivery", "picture"], name="picture_once_a_delivery")
        ]

    def __str__(self) -> str:
        return self.caption or f"item {self.position}"


class GalleryLink(models.Model):
    """An unguessable address of a gallery. Its token: `listings.links`."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    delivery = models.ForeignKey(Delivery, on_delete=models.CASCADE, related_name="links")
    label = models.CharField(max_length=120, blank=True)
    email = models.EmailField(blank=True)
    generation = models.PositiveIntegerField(default=1)
    passphrase = models.CharField(max_length=128, blank=True, help_text="Hashed.")
    expires_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)
    created_at = models.DateTimeField(default=timezone.now)
    last_opened_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["created_at"]

    def __str__(self) -> str:
        return self.label or str(self.public_id)

    def is_open(self, now: object) -> bool:
        return self.revoked_at is None and (self.expires_at is None or now < self.expires_at)  # type: ignore[operator]


class PassphraseTry(models.Model):
    """A wrong passphrase: counted, so that nobody can go on guessing."""

    link = models.ForeignKey(GalleryLink, on_delete=models.CASCADE, related_name="wrong_tries")
    address = models.CharField(max_length=64, blank=True)
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        indexes = [models.Index(fields=["link", "at"])]
        verbose_name_plural = "passphrase tries"

    def __str__(self) -> str:
        return f"wrong passphrase at {self.at:%Y-%m-%d %H:%M}"


class ChangeRequest(models.Model):
    """What a client wants changed, pinned on a place in the picture."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    item = models.ForeignKey(DeliveryItem, on_delete=models.CASCADE, related_name="change_requests")
    link = models.ForeignKey(GalleryLink, null=True, blank=True, on_delete=models.SET_NULL)
    x_frame = models.FloatField(null=True, blank=True, help_text="Pixels of the reference frame.")
    y_frame = models.FloatField(null=True, blank=True)
    text = models.TextField()
    asked_at = models.DateTimeField(default=timezone.now)
    answer = models.TextField(blank=True)
    answered_at = models.DateTimeField(null=True, blank=True)
    answered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )

    class Meta:
        ordering = ["asked_at"]

    def __str__(self) -> str:
        return self.text[:60]


class Download(models.Model):
    """Who took what, when."""

    link = models.ForeignKey(GalleryLink, null=True, on_delete=models.SET_NULL, related_name="downloads")
    delivery = models.ForeignKey(Delivery, on_delete=models.CASCADE, related_name="downloads")
    what = models.CharField(max_length=200)
    purpose = models.CharField(max_length=80, blank=True)
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-at"]

    def __str__(self) -> str:
        return f"{self.what} at {self.at:%Y-%m-%d %H:%M}"
