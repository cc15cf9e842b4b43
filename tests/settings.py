"""Settings of a test run: the product's own, in a data folder that exists only as long as the run.

`DATABASE_URL` and `REDIS_URL` still count, so the same tests run on SQLite and on PostgreSQL. Test processes
beside each other share nothing: each has its own folder, database and Redis number (`tests.beside`).
"""

import atexit
import os
import shutil
import tempfile

from tests import beside

# Whatever the developer's shell says must not change what the tests see.
for name in list(os.environ):
    if name.startswith(("S3_", "SMTP_", "PUBLIC_URL", "SECRET_KEY", "INTAKE_DIRS", "MAIL_FROM", "DEBUG")):
        del os.environ[name]

# A spawned child imports this file again and must land in the same folder.
if "TEST_DATA_DIR" not in os.environ:
    _folder = tempfile.mkdtemp(prefix="mullion-tests-")
    os.environ["TEST_DATA_DIR"] = _folder
    atexit.register(shutil.rmtree, _folder, ignore_errors=True)
os.environ["DATA_DIR"] = os.path.join(os.environ["TEST_DATA_DIR"], beside.NAME)

from studio.settings import *  # noqa: E402, F403
from studio.settings import CACHES, DATA_DIR, DATABASES, REDIS_URL, STATIC_ROOT, STORAGES  # noqa: E402

_database = DATABASES["default"]
if _database["ENGINE"].endswith("sqlite3"):
    # A file, not memory: threads and child processes see the same rows, as they do in the product.
    _database["TEST"] = {"NAME": DATA_DIR / "test.sqlite3"}
else:
    _database["TEST"] = {"NAME": f"test_mullion_{os.getpid()}"}
    _database["CONN_MAX_AGE"] = 0

STATIC_ROOT.mkdir(parents=True, exist_ok=True)
if REDIS_URL:
    REDIS_URL = CACHES["default"]["LOCATION"] = beside.own_redis(REDIS_URL)
CACHES["default"]["KEY_PREFIX"] = f"test-{os.getpid()}"
STORAGES["staticfiles"] = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # speed only
EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
# Tests that need a worker start a real one in its own process; elsewhere a queued id stays in memory.
CELERY_BROKER_URL = "memory://"
CELERY_BROKER_TRANSPORT_OPTIONS: dict[str, object] = {}
