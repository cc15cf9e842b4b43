"""What workers do for the studio. Tasks carry ids, re-read the row, and are safe to run twice."""

from __future__ import annotations

from django.utils import timezone

from studio import documents, mailing
from studio.celery import app


@app.task(name="studio.deliver_message", ignore_result=True)
def deliver_message(message_pk: int) -> None:
    mailing.deliver(message_pk, now=timezone.now())


@app.task(name="studio.make_pdf", ignore_result=True)
def make_pdf(kind: str, pk: int) -> None:
    document = documents.KINDS[kind].objects.filter(pk=pk, pdf="").first()
    if document is not None:
        documents.make_pdf(document, now=timezone.now())
