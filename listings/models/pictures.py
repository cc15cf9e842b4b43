"""Pictures: views after correction, and the work that makes them."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models
from django.utils import timezone


class VisitWork(models.Model):
    """What is still to be done to the frames of a visit as a whole: grouping and settling."""

    booking = models.OneToOneField("studio.Booking", on_delete=models.CASCADE, related_name="visit_work")
    due_at = models.DateTimeField(null=True, blank=True, help_text="When to settle; empty: nothing to do.")
    queued_at = models.DateTimeField(null=True, blank=True)
    claimed_until = models.DateTimeField(null=True, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    settled_at = models.DateTimeField(null=True, blank=True)
    reason = models.CharField(max_length=300, blank=True)

    def __str__(self) -> str:
        return f"work of visit {self.booking_id}"


class Picture(models.Model):
    """One view after correction; its frames never change, its correction may."""

    class State(models.TextChoices):
        WAITING = "waiting", "Waiting"
        BEING_MADE = "being_made", "Being made"
        MADE = "made", "Made"
        FAILED = "failed", "Failed"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    booking = models.ForeignKey("studio.Booking", on_delete=models.CASCADE, related_name="pictures")
    room = models.ForeignKey(
        "Room", null=True, blank=True, on_delete=models.SET_NULL, related_name="pictures"
    )
    shot = models.ForeignKey(
        "Shot", null=True, blank=True, on_delete=models.SET_NULL, related_name="pictures"
    )
    is_placed_by_hand = models.BooleanField(
        default=False, help_text="A person chose room and shot: matching leaves them alone."
    )
    kind = models.CharField(max_length=24, default="single")
    taken_at = models.DateTimeField(null=True, blank=True, help_text="Of the reference frame.")
    position = models.PositiveIntegerField(default=0)
    state = models.CharField(max_length=16, choices=State.choices, default=State.WAITING)
    reason = models.CharField(max_length=300, blank=True)
    queued_at = models.DateTimeField(null=True, blank=True)
    claimed_until = models.DateTimeField(null=True, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    analysis = models.JSONField(null=True, blank=True)
    plan = models.JSONField(null=True, blank=True)
    plan_digest = models.CharField(max_length=64, blank=True)
    method_version = models.CharField(max_length=24, blank=True)
    plan_version = models.PositiveIntegerField(
        default=0, help_text="Counts changes of the plan; guards edits."
    )
    wish = models.JSONField(
        default=dict, blank=True, help_text="What a person asked for: keys of the plan file."
    )
    wished_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    is_touched = models.BooleanField(
        default=False, help_text="A person changed it: later frames leave it alone."
    )
    is_chosen = models.BooleanField(default=True)
    correction = models.ForeignKey(
        "Correction", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    made_at = models.DateTimeField(null=True, blank=True)
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["position", "pk"]
        # The sheet counts and orders by these alone, so that SQLite never walks through the large columns.
        indexes = [
            models.Index(fields=["booking", "state"]),
            models.Index(fields=["booking", "room", "position"]),
            models.Index(fields=["booking", "correction"]),
        ]

    def __str__(self) -> str:
        return f"picture {self.pk} of {self.booking_id}"


class PictureFrame(models.Model):
    """A frame's part in a picture; a frame belongs to one picture."""

    picture = models.ForeignKey(Picture, on_delete=models.CASCADE, related_name="picture_frames")
    frame = models.OneToOneField("Frame", on_delete=models.CASCADE, related_name="picture_frame")
    role = models.CharField(
        max_length=16, default="frame", help_text="frame, twin (JPEG beside its raw), flash"
    )
    is_reference = models.BooleanField(default=False)
    position = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["position", "pk"]

    def __str__(self) -> str:
        return f"{self.frame} in {self.picture}"

    @property
    def exposure_words(self) -> str:
        """Say shutter time, aperture and ISO as a camera shows them."""
        facts, words = self.frame.facts, []
        if seconds := facts.get("exposure_s"):
            words.append(f"{seconds:g} s" if seconds >= 0.3 else f"1/{round(1 / seconds)} s")
        if aperture := facts.get("aperture"):
            words.append(f"f/{aperture:g}")
        if iso := facts.get("iso"):
            words.append(f"ISO {iso:.0f}")
        return ", ".join(words)


class Correction(models.Model):
    """A plan carried out, its files and its measured result."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    picture = models.ForeignKey(Picture, on_delete=models.CASCADE, related_name="corrections")
    frames_digest = models.CharField(max_length=64)
    plan_digest = models.CharField(max_length=64)
    method_version = models.CharField(max_length=24)
    plan = models.JSONField()
    wish = models.JSONField(default=dict, blank=True)
    report = models.JSONField()
    needs_look = models.JSONField(
        default=list, blank=True, help_text="Sentences that say why a person should look at it."
    )
    file = models.FileField(upload_to="pictures/", max_length=300)
    preview = models.FileField(upload_to="pictures/", max_length=300, blank=True)
    thumbnail = models.FileField(upload_to="pictures/", max_length=300, blank=True)
    before = models.FileField(
        upload_to="pictures/",
        max_length=300,
        blank=True,
        help_text="The reference frame as the camera saw it.",
    )
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    sha256 = models.CharField(max_length=64)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL)
    made_at = models.DateTimeField(default=timezone.now)
    seconds = models.FloatField(default=0)

    class Meta:
        ordering = ["-made_at", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["picture", "frames_digest", "plan_digest", "method_version"], name="correction_once"
            )
        ]

    def __str__(self) -> str:
        return f"correction {self.pk} of {self.picture_id}"


class Alteration(models.Model):
    """An edit that changes what is shown of the home; disclosed for ever."""

    class Kind(models.TextChoices):
        MOVABLE = "movable", "Movable thing removed"
        FIXED = "fixed", "Fixed, harmless thing removed"
        PRIVACY = "privacy", "Blurred for the occupants' privacy"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    picture = models.ForeignKey(Picture, on_delete=models.CASCADE, related_name="alterations")
    kind = models.CharField(max_length=16, choices=Kind.choices)
    area = models.JSONField(help_text="Polygon in pixels of the reference frame.")
    what = models.CharField(max_length=160)
    why = models.CharField(max_length=240, blank=True)
    done_by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.SET_NULL)
    done_at = models.DateTimeField(default=timezone.now)
    undone_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["done_at"]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.what}"


class PictureCopy(models.Model):
    """A file made from a correction for one purpose."""

    class State(models.TextChoices):
        WAITING = "waiting", "Waiting"
        MADE = "made", "Made"
        FAILED = "failed", "Failed"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    correction = models.ForeignKey(Correction, on_delete=models.CASCADE, related_name="copies")
    purpose = models.ForeignKey("Purpose", on_delete=models.PROTECT, related_name="copies")
    metadata_digest = models.CharField(
        max_length=64, help_text="Of caption, alt text, rights: a change makes a new copy."
    )
    metadata = models.JSONField(default=dict)
    state = models.CharField(max_length=16, choices=State.choices, default=State.WAITING)
    reason = models.CharField(max_length=300, blank=True)
    queued_at = models.DateTimeField(null=True, blank=True)
    claimed_until = models.DateTimeField(null=True, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    file = models.FileField(upload_to="copies/", max_length=300, blank=True)
    width = models.PositiveIntegerField(default=0)
    height = models.PositiveIntegerField(default=0)
    size = models.BigIntegerField(default=0)
    sha256 = models.CharField(max_length=64, blank=True)
    crc32 = models.BigIntegerField(default=0)
    made_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["correction", "purpose", "metadata_digest"], name="copy_once")
        ]
        verbose_name_plural = "picture copies"

    def __str__(self) -> str:
        return f"{self.purpose} of {self.correction}"
