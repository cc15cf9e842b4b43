"""What came off the camera."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models
from django.utils import timezone


class Upload(models.Model):
    """A file on its way in (tus 1.0): bytes up to `offset` are on disk."""

    class State(models.TextChoices):
        COMING = "coming", "Coming in"
        STORED = "stored", "Stored and verified"
        KNOWN = "known", "Already stored"
        REFUSED = "refused", "Not taken"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    booking = models.ForeignKey("studio.Booking", on_delete=models.CASCADE, related_name="uploads")
    batch = models.UUIDField(null=True, blank=True, help_text="One drop or one card: counted together.")
    name = models.CharField(max_length=255)
    size = models.BigIntegerField()
    offset = models.BigIntegerField(default=0)
    modified_at = models.DateTimeField(null=True, blank=True)
    expected_sha256 = models.CharField(max_length=64, blank=True, help_text="What the sender says it is.")
    sha256 = models.CharField(max_length=64, blank=True, help_text="What it is, once all bytes are here.")
    folder_intake = models.ForeignKey(
        "FolderIntake", null=True, blank=True, on_delete=models.CASCADE, related_name="files"
    )
    state = models.CharField(max_length=16, choices=State.choices, default=State.COMING)
    reason = models.CharField(max_length=300, blank=True)
    frame = models.ForeignKey("Frame", null=True, blank=True, on_delete=models.SET_NULL)
    started_by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.SET_NULL)
    started_at = models.DateTimeField(default=timezone.now)
    touched_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["started_at", "pk"]
        indexes = [models.Index(fields=["booking", "state"]), models.Index(fields=["state", "touched_at"])]
        constraints = [
            models.UniqueConstraint(
                fields=["folder_intake", "name"],
                condition=models.Q(folder_intake__isnull=False),
                name="file_once_a_folder_intake",
            )
        ]

    def __str__(self) -> str:
        return self.name


class FolderIntake(models.Model):
    """A card or folder on this machine whose files are being copied in and read back."""

    class State(models.TextChoices):
        WAITING = "waiting", "Waiting"
        COPYING = "copying", "Being copied"
        DONE = "done", "Done"
        FAILED = "failed", "Stopped"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    booking = models.ForeignKey("studio.Booking", on_delete=models.CASCADE, related_name="folder_intakes")
    folder = models.CharField(max_length=1000)
    state = models.CharField(max_length=16, choices=State.choices, default=State.WAITING)
    reason = models.CharField(max_length=300, blank=True)
    queued_at = models.DateTimeField(null=True, blank=True)
    claimed_until = models.DateTimeField(null=True, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    file_count = models.PositiveIntegerField(default=0)
    byte_count = models.BigIntegerField(default=0)
    started_by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.SET_NULL)
    started_at = models.DateTimeField(default=timezone.now)
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-started_at", "-pk"]

    def __str__(self) -> str:
        return self.folder


class Frame(models.Model):
    """One exposure file: an original that nothing ever changes."""

    class State(models.TextChoices):
        STORED = "stored", "Stored"
        READ = "read", "Read"
        UNREADABLE = "unreadable", "Not readable"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    booking = models.ForeignKey("studio.Booking", on_delete=models.CASCADE, related_name="frames")
    sha256 = models.CharField(max_length=64)
    name = models.CharField(max_length=255)
    size = models.BigIntegerField()
    file = models.FileField(upload_to="originals/", max_length=300)
    state = models.CharField(max_length=16, choices=State.choices, default=State.STORED)
    reason = models.CharField(max_length=300, blank=True)
    facts = models.JSONField(default=dict, blank=True)
    thumbnail = models.BinaryField(null=True, help_text="Small array for grouping, as numpy.save writes it.")
    taken_at = models.DateTimeField(null=True, blank=True)
    stored_at = models.DateTimeField(default=timezone.now)
    queued_at = models.DateTimeField(null=True, blank=True)
    claimed_until = models.DateTimeField(null=True, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["taken_at", "name", "pk"]
        constraints = [models.UniqueConstraint(fields=["booking", "sha256"], name="bytes_once_a_visit")]

    def __str__(self) -> str:
        return self.name
