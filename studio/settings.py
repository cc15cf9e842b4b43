"""Settings: one file, every knob from the environment.

A wrong value stops the start with a message that names the variable, what was given and what is accepted;
values that only make sense together are checked in `studio.checks`. Secrets may arrive as NAME_FILE.
"""

import ipaddress
from pathlib import Path
from typing import Any

import dj_database_url
from botocore.config import Config
from django.core.exceptions import ImproperlyConfigured

from studio import environment

BASE_DIR = Path(__file__).resolve().parent.parent
DATA_DIR = Path(environment.text("DATA_DIR", str(BASE_DIR / "data"))).expanduser().resolve()
DEBUG = environment.flag("DEBUG", default=False)

INSTALLED_APPS = [
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.contrib.humanize",
    "django_htmx",
    "csp",
    "axes",
    "studio",
    "listings",
]
AUTH_USER_MODEL = "studio.User"
ROOT_URLCONF = "studio.urls"
WSGI_APPLICATION = "studio.wsgi.application"
WEB_THREADS = environment.number("WEB_THREADS", 32, least=4, most=512)
WEB_PROCESSES = environment.number("WEB_PROCESSES", 1, least=1, most=64)
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"


def secret_key() -> str:
    """Return the key from the environment, or the one kept in the data folder (made on the first start)."""
    if key := environment.text("SECRET_KEY"):
        if len(key) < 50:
            raise ImproperlyConfigured(f"SECRET_KEY: need at least 50 characters, got {len(key)}")
        return key
    from studio.keys import read_or_make

    try:
        return read_or_make(DATA_DIR / "secret.key")
    except OSError as error:
        raise ImproperlyConfigured(
            f"DATA_DIR: need a folder that this user may write, got {str(DATA_DIR)!r} ({error.strerror})"
        ) from error


SECRET_KEY = secret_key()
# Seals access notes; empty: made on first use in the data folder. See studio.sealing.
ACCESS_KEY = environment.text("ACCESS_KEY")

# --- addresses -----------------------------------------------------------------------------------------
_public = environment.address("PUBLIC_URL", "http://127.0.0.1:8000", schemes=("http", "https"))
assert _public is not None
assert _public.hostname is not None
if _public.path or _public.query or _public.fragment:
    raise environment.refuse("PUBLIC_URL", need="an address without a path", got=_public.geturl())
PUBLIC_URL = f"{_public.scheme}://{_public.netloc}"
IS_HTTPS = _public.scheme == "https"


def is_local(host: str) -> bool:
    """Say whether the name or address is one that the public can't reach."""
    try:
        return not ipaddress.ip_address(host).is_global
    except ValueError:
        return host == "localhost" or host.endswith((".localhost", ".local", ".internal")) or "." not in host


PUBLIC_IS_LOCAL = is_local(_public.hostname)
ALLOWED_HOSTS = [
    f"[{_public.hostname}]" if ":" in _public.hostname else _public.hostname,
    "127.0.0.1",
    "localhost",
    "[::1]",
    *environment.words("EXTRA_HOSTS"),
]
CSRF_TRUSTED_ORIGINS = [PUBLIC_URL]
# Yes: the proxy before us sets X-Forwarded-For and X-Forwarded-Proto, and nobody reaches us around it.
BEHIND_PROXY = environment.flag("BEHIND_PROXY", default=False)
PROXY_NETWORKS = ["127.0.0.0/8", "::1/128", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "fc00::/7"]
SECURE_SSL_REDIRECT = IS_HTTPS and environment.flag("REDIRECT_TO_HTTPS", default=True)
SECURE_REDIRECT_EXEMPT = [r"^health/$"]
SECURE_HSTS_SECONDS = environment.number(
    "HSTS_SECONDS", 31_536_000 if IS_HTTPS and not PUBLIC_IS_LOCAL else 0, least=0, most=63_072_000
)
SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_HSTS_PRELOAD = SECURE_HSTS_SECONDS > 0
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = IS_HTTPS
SESSION_COOKIE_AGE = 60 * 60 * 24 * 30
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "studio.privacy.KeepPrivate",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "csp.middleware.CSPMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "studio.zone.BusinessZone",
    "axes.middleware.AxesMiddleware",
]
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'self'"],
        "img-src": ["'self'", "data:", "blob:"],
        "style-src": ["'self'"],
        "script-src": ["'self'"],
        "frame-ancestors": ["'none'"],
        "form-action": ["'self'"],
        "base-uri": ["'self'"],
        "object-src": ["'none'"],
    }
}

TEMPLATES: list[dict[str, Any]] = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "studio.context.business",
            ],
        },
    }
]

# --- database ------------------------------------------------------------------------------------------
# Atomic only round writes, never round file or picture work, so ATOMIC_REQUESTS stays off.
DATABASES: dict[str, Any]
if environment.address("DATABASE_URL", schemes=("postgresql", "postgres")):
    DATABASES = {
        "default": dj_database_url.parse(
            environment.text("DATABASE_URL"), conn_max_age=60, conn_health_checks=True
        )
    }
else:
    DATABASES = {
        "default": {
            "ENGINE": "django.db.backends.sqlite3",
            "NAME": DATA_DIR / "mullion.sqlite3",
            "OPTIONS": {
                "timeout": 20,
                "transaction_mode": "IMMEDIATE",
                "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;",
            },
        }
    }

# --- queue ---------------------------------------------------------------------------------------------
REDIS_URL = environment.text("REDIS_URL")
environment.address("REDIS_URL", schemes=("rediss", "redis"))
QUEUE_DIR = DATA_DIR / "queue"
CELERY_BROKER_URL = REDIS_URL or "folder://here"  # studio.folder_queue
CELERY_BROKER_TRANSPORT_OPTIONS: dict[str, Any]
if REDIS_URL:
    CELERY_BROKER_TRANSPORT_OPTIONS = {"visibility_timeout": 3600, "socket_keepalive": True}
else:
    CELERY_BROKER_TRANSPORT_OPTIONS = {
        "data_folder_in": str(QUEUE_DIR / "messages"),
        "data_folder_out": str(QUEUE_DIR / "messages"),
        "control_folder": str(QUEUE_DIR / "control"),
        "processed_folder": str(QUEUE_DIR / "taken"),
        "polling_interval": 0.2,
    }
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_TASK_IGNORE_RESULT = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_TASK_ACKS_LATE = True
CELERY_WORKER_ENABLE_REMOTE_CONTROL = False
CELERY_WORKER_SEND_TASK_EVENTS = False
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TIMEZONE = "UTC"
# Mail and invoice PDFs must not wait behind two hundred pictures: a queue of their own.
CELERY_TASK_DEFAULT_QUEUE = "pictures"
CELERY_TASK_ROUTES = {"studio.*": {"queue": "quick"}}
CELERY_TASK_CREATE_MISSING_QUEUES = True
CELERY_IMPORTS = ["studio.sweeping"]
# Each finds rows whose work was lost and queues them again; each takes the present moment.
SWEEPS = ["studio.sweep.run", "listings.sweep.run"]
SWEEP_EVERY_S = environment.number("SWEEP_EVERY_S", 30, least=5, most=600)
CELERY_BEAT_SCHEDULE = {"sweep": {"task": "studio.sweep", "schedule": float(SWEEP_EVERY_S)}}
CELERY_BEAT_SCHEDULE_FILENAME = str(DATA_DIR / "beat-schedule")

CACHES: dict[str, Any] = {
    "default": (
        {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": REDIS_URL}
        if REDIS_URL
        else {
            "BACKEND": "django.core.cache.backends.filebased.FileBasedCache",
            "LOCATION": str(DATA_DIR / "cache" / "django"),
            # With the usual 300 s and 300 entries the counts that hold strangers back would soon be gone.
            "TIMEOUT": 86_400,
            "OPTIONS": {"MAX_ENTRIES": 20_000},
        }
    )
}

# --- files ---------------------------------------------------------------------------------------------
MEDIA_ROOT = DATA_DIR / "files"
PARTIAL_DIR = DATA_DIR / "partial"
CACHE_DIR = DATA_DIR / "cache"
INTAKE_DIRS = environment.folders("INTAKE_DIRS")
STATIC_URL = "/static/"
STATIC_ROOT = Path(environment.text("STATIC_ROOT", str(DATA_DIR / "static")))
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = DEBUG
S3_BUCKET = environment.text("S3_BUCKET")
_default_storage: dict[str, Any] = {"BACKEND": "django.core.files.storage.FileSystemStorage"}
if S3_BUCKET:
    environment.address("S3_ENDPOINT_URL", schemes=("http", "https"))
    _default_storage = {
        "BACKEND": "storages.backends.s3.S3Storage",
        "OPTIONS": {
            "bucket_name": S3_BUCKET,
            "location": environment.text("S3_PREFIX"),
            "endpoint_url": environment.text("S3_ENDPOINT_URL") or None,
            "region_name": environment.text("S3_REGION") or None,
            "access_key": environment.text("S3_ACCESS_KEY") or None,
            "secret_key": environment.text("S3_SECRET_KEY") or None,
            "default_acl": None,
            "file_overwrite": True,
            "querystring_auth": True,
            "client_config": Config(
                s3={
                    "addressing_style": environment.text(
                        "S3_ADDRESSING", "auto", choices=("auto", "path", "virtual")
                    )
                },
                signature_version="s3v4",
                # Not every S3-compatible service knows the newer checksum headers.
                request_checksum_calculation="when_required",
                response_checksum_validation="when_required",
            ),
        },
    }
STORAGES = {
    "default": _default_storage,
    "staticfiles": {"BACKEND": "whitenoise.storage.CompressedStaticFilesStorage"},
}
FILE_UPLOAD_MAX_MEMORY_SIZE = 4 * 1024 * 1024
DATA_UPLOAD_MAX_MEMORY_SIZE = 10 * 1024 * 1024

# --- people --------------------------------------------------------------------------------------------
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
]
LOGIN_URL = "studio:sign-in"
LOGIN_REDIRECT_URL = "studio:start"
AXES_FAILURE_LIMIT = environment.number("SIGN_IN_TRIES", 8, least=3, most=100)
AXES_COOLOFF_TIME = 1
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_USERNAME_FORM_FIELD = "username"  # what authenticate() is given, whatever the form calls it
AXES_LOCKOUT_CALLABLE = "studio.pages.signing_in.locked_out"
AXES_CLIENT_IP_CALLABLE = "studio.access.address_of"

# --- mail ----------------------------------------------------------------------------------------------
SMTP_HOST = environment.text("SMTP_HOST")
EMAIL_BACKEND = (
    "django.core.mail.backends.smtp.EmailBackend"
    if SMTP_HOST
    else "django.core.mail.backends.dummy.EmailBackend"
)
EMAIL_HOST = SMTP_HOST
_smtp_security = environment.text("SMTP_SECURITY", "starttls", choices=("starttls", "tls", "none"))
EMAIL_PORT = environment.number("SMTP_PORT", 465 if _smtp_security == "tls" else 587, least=1, most=65535)
EMAIL_HOST_USER = environment.text("SMTP_USER")
EMAIL_HOST_PASSWORD = environment.text("SMTP_PASSWORD")
EMAIL_USE_TLS = _smtp_security == "starttls"
EMAIL_USE_SSL = _smtp_security == "tls"
EMAIL_TIMEOUT = 20
DEFAULT_FROM_EMAIL = environment.text("MAIL_FROM", "mullion@localhost")

# --- words and times -----------------------------------------------------------------------------------
LANGUAGE_CODE = "en"
USE_I18N = True
USE_TZ = True
TIME_ZONE = "UTC"

# --- pictures ------------------------------------------------------------------------------------------
MAKE_TIMEOUT_S = environment.number("MAKE_TIMEOUT_S", 300, least=10, most=3600)
MAKE_MEMORY_MB = environment.number("MAKE_MEMORY_MB", 3000, least=500, most=100_000)
CLAIM_S = environment.number("CLAIM_S", 60, least=10, most=600)
UPLOAD_MAX_MB = environment.number("UPLOAD_MAX_MB", 2048, least=10, most=100_000)
UPLOAD_KEEP_DAYS = environment.number("UPLOAD_KEEP_DAYS", 7, least=1, most=365)

LOGGING: dict[str, Any] = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "%(asctime)s %(levelname)s %(name)s: %(message)s"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {
        "handlers": ["console"],
        "level": environment.text("LOG_LEVEL", "WARNING", choices=("DEBUG", "INFO", "WARNING", "ERROR")),
    },
}

# --- the staff's main navigation: route, words, roles ----------------------------------------------------
_EVERYONE = ("owner", "photographer", "editor")
STAFF_NAV: list[tuple[str, str, tuple[str, ...]]] = [
    ("studio:start", "Start", _EVERYONE),
    ("listings:today", "Today", _EVERYONE),
    ("studio:diary", "Diary", _EVERYONE),
    ("studio:bookings", "Bookings", _EVERYONE),
    ("listings:intake", "Bring in", _EVERYONE),
    ("studio:clients", "Clients", ("owner", "photographer")),
    ("studio:invoices", "Invoices", ("owner",)),
    ("studio:mails", "Mail", _EVERYONE),
    ("studio:settings", "Settings", ("owner",)),
]
