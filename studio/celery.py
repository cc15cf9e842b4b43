"""The queue: carries ids, nothing else. The database is the truth."""

import os

from celery import Celery
from kombu.transport import TRANSPORT_ALIASES

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "studio.settings")

TRANSPORT_ALIASES["folder"] = "studio.folder_queue:Transport"

app = Celery("mullion")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
