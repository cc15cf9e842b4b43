"""The shot list of a visit: rooms, wanted views, preparation, notes."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models
from django.utils import timezone


class ShotList(models.Model):
    """Which rooms were proposed for a visit so far: the row that proposing locks.

    A room that a person took off the list keeps its key here, so it isn't proposed again.
    """

    booking = models.OneToOneField("studio.Booking", on_delete=models.CASCADE, related_name="shot_list")
    made_keys = models.JSONField(default=list)
    made_at = models.DateTimeField(default=timezone.now)
    left_at = models.DateTimeField(null=True, blank=True, help_text="When the home was left.")
    left_reason = models.CharField(
        max_length=300, blank=True, help_text="Why it was left although something was missing."
    )

    def __str__(self) -> str:
        return f"shot list of {self.booking_id}"


class Room(models.Model):
    """A room (or outside place) of the home, as this visit sees it."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    booking = models.ForeignKey("studio.Booking", on_delete=models.CASCADE, related_name="rooms")
    name = models.CharField(max_length=80)
    kind = models.CharField(max_length=40, help_text="A key of listings.shotlists.ROOM_KINDS.")
    position = models.PositiveSmallIntegerField(default=0)
    made_from = models.CharField(
        max_length=60,
        blank=True,
        help_text="Key of the template entry that made this room, so it is made once.",
    )

    class Meta:
        ordering = ["position", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["booking", "made_from"],
                condition=~models.Q(made_from=""),
                name="room_made_once",
            )
        ]

    def __str__(self) -> str:
        return self.name


class Shot(models.Model):
    """A wanted view: taken, or waived with a reason, or still to do."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    room = models.ForeignKey(Room, on_delete=models.CASCADE, related_name="shots")
    view = models.CharField(max_length=160)
    is_required = models.BooleanField(default=True)
    focal_mm = models.PositiveSmallIntegerField(null=True, blank=True)
    height_m = models.DecimalField(max_digits=4, decimal_places=2, null=True, blank=True)
    f_number = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    bracket = models.CharField(max_length=40, blank=True)
    hint = models.CharField(max_length=240, blank=True)
    caution = models.CharField(max_length=240, blank=True)
    position = models.PositiveSmallIntegerField(default=0)
    taken_at = models.DateTimeField(null=True, blank=True)
    taken_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    waived_reason = models.CharField(max_length=200, blank=True)
    changed_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["room__position", "position", "pk"]

    def __str__(self) -> str:
        return f"{self.room}: {self.view}"

    @property
    def is_open(self) -> bool:
        return self.taken_at is None and not self.waived_reason


class PreparationTick(models.Model):
    """One thing to make ready in a room before the camera comes out."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    room = models.ForeignKey(Room, on_delete=models.CASCADE, related_name="preparation")
    text = models.CharField(max_length=160)
    position = models.PositiveSmallIntegerField(default=0)
    done_at = models.DateTimeField(null=True, blank=True)
    changed_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["position", "pk"]

    def __str__(self) -> str:
        return self.text


class VisitNote(models.Model):
    """A note written on site; notes are added, never overwritten."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    booking = models.ForeignKey("studio.Booking", on_delete=models.CASCADE, related_name="visit_notes")
    room = models.ForeignKey(Room, null=True, blank=True, on_delete=models.SET_NULL, related_name="notes")
    text = models.TextField()
    written_by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.SET_NULL)
    written_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["written_at", "pk"]

    def __str__(self) -> str:
        return self.text[:60]


class Operation(models.Model):
    """One act of the phone page, applied once however often it arrives."""

    uuid = models.UUIDField(primary_key=True)
    booking = models.ForeignKey("studio.Booking", on_delete=models.CASCADE, related_name="operations")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.SET_NULL)
    device = models.CharField(max_length=64)
    sequence = models.PositiveIntegerField()
    kind = models.CharField(max_length=40)
    item = models.UUIDField(
        null=True,
        blank=True,
        help_text="The shot or preparation tick it is about: the last act by time wins.",
    )
    payload = models.JSONField()
    happened_at = models.DateTimeField(help_text="By the device's clock, corrected to the server's.")
    applied_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["happened_at", "device", "sequence", "uuid"]
        indexes = [models.Index(fields=["booking", "item"])]

    def __str__(self) -> str:
        return f"{self.kind} {self.uuid}"
