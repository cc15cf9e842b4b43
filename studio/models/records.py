"""What was said and done."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models
from django.utils import timezone


class Message(models.Model):
    """A mail as it was sent; sign-in mails are kept without their body."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    kind = models.CharField(max_length=40)
    to = models.EmailField()
    subject = models.CharField(max_length=240)
    body = models.TextField(blank=True)
    attachments = models.JSONField(default=list, blank=True, help_text="Names and types; not the bytes.")
    booking = models.ForeignKey(
        "Booking", null=True, blank=True, on_delete=models.SET_NULL, related_name="messages"
    )
    created_at = models.DateTimeField(default=timezone.now)
    sent_at = models.DateTimeField(null=True, blank=True)
    failed_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-created_at", "-pk"]

    def __str__(self) -> str:
        return f"{self.subject} to {self.to}"


class Event(models.Model):
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
