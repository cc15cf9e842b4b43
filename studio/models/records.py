"""What was said and done."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models
from django.utils import timezone

from .frozen import FrozenModel


class Message(models.Model):
    """A mail as it was written. A secret one (it carries a sign-in link) loses its body once it is sent."""

    class State(models.TextChoices):
        KEPT = "kept", "Kept here"
        WAITING = "waiting", "Waiting to be sent"
        SENT = "sent", "Sent"
        FAILED = "failed", "Not sent"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    kind = models.CharField(max_length=40)
    to = models.EmailField()
    subject = models.CharField(max_length=240)
    body = models.TextField(blank=True)
    is_secret = models.BooleanField(default=False)
    attachments = models.JSONField(default=list, blank=True, help_text="Names and types.")
    booking = models.ForeignKey(
        "Booking", null=True, blank=True, on_delete=models.SET_NULL, related_name="messages"
    )
    invoice = models.ForeignKey(
        "Invoice", null=True, blank=True, on_delete=models.PROTECT, related_name="messages",
        help_text="Its PDF goes with the mail.",
    )  # fmt: skip
    credit_note = models.ForeignKey(
        "CreditNote", null=True, blank=True, on_delete=models.PROTECT, related_name="messages",
        help_text="Its PDF goes with the mail.",
    )  # fmt: skip
    state = models.CharField(max_length=8, choices=State.choices, default=State.KEPT)
    created_at = models.DateTimeField(default=timezone.now)
    sent_at = models.DateTimeField(null=True, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    claimed_until = models.DateTimeField(
        null=True, blank=True, help_text="A worker has it, or it is not to be tried again, before then."
    )
    failed_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-created_at", "-pk"]
        indexes = [models.Index(fields=["state", "claimed_until"])]

    def __str__(self) -> str:
        return f"{self.subject} to {self.to}"


class MessageAttachment(models.Model):
    """A small file that goes with a mail, such as a calendar entry."""

    message = models.ForeignKey(Message, on_delete=models.CASCADE, related_name="files")
    name = models.CharField(max_length=120)
    content_type = models.CharField(max_length=120)
    content = models.BinaryField()

    def __str__(self) -> str:
        return self.name


class Event(FrozenModel):
    """Who did what, when: appended, never changed."""

    at = models.DateTimeField(default=timezone.now)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL)
    client = models.ForeignKey("Client", null=True, blank=True, on_delete=models.SET_NULL)
    booking = models.ForeignKey(
        "Booking", null=True, blank=True, on_delete=models.CASCADE, related_name="events"
    )
    verb = models.CharField(
        max_length=60, help_text="What was done, as one word or two: 'agreed', 'opened the gallery'."
    )
    detail = models.JSONField(default=dict, blank=True)

    class Meta:
        ordering = ["-at", "-pk"]
        indexes = [models.Index(fields=["booking", "at"])]

    def __str__(self) -> str:
        return f"{self.at:%Y-%m-%d %H:%M} {self.verb}"
