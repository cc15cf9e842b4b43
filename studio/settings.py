"""Settings: one file, every knob from the environment.

A wrong value stops the start with a message that names the variable, what was given and what is accepted.
Secrets may arrive as NAME_FILE, the path of a file that holds the value.
"""

import os
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import dj_database_url
from django.core.exceptions import ImproperlyConfigured

BASE_DIR = Path(__file__).resolve().parent.parent


def env_text(name: str, default: str = "") -> str:
    """Return NAME, or what the file named by NAME_FILE holds, or the default."""
    if path := os.environ.get(f"{name}_FILE"):
        try:
            return Path(path).read_text().strip()
        except OSError as error:
            raise ImproperlyConfigured(f"{name}_FILE: {path} can't be read ({error.strerror})") from error
    return os.environ.get(name, default)


def env_bool(name: str, default: bool) -> bool:
    value = env_text(name, "yes" if default else "no").lower()
    if value not in ("yes", "no"):
        raise ImproperlyConfigured(f"{name}: need yes or no, got {value!r}")
    return value == "yes"


def env_int(name: str, default: int) -> int:
    value = env_text(name, str(default))
    try:
        return int(value)
    except ValueError as error:
        raise ImproperlyConfigured(f"{name}: need a whole number, got {value!r}") from error


DATA_DIR = Path(env_text("DATA_DIR", str(BASE_DIR / "data"))).resolve()
DEBUG = env_bool("DEBUG", False)

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
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"


def secret_key() -> str:
    """Return the key from the environment, or the one kept in the data folder (made on the first start)."""
    if key := env_text("SECRET_KEY"):
        return key
    from studio.keys import read_or_make

    return read_or_make(DATA_DIR / "secret.key")


SECRET_KEY = secret_key()
ACCESS_KEY = env_text("ACCESS_KEY")  # seals access notes; empty: a file in the data folder, made when needed

# --- addresses -----------------------------------------------------------------------------------------
PUBLIC_URL = env_text("PUBLIC_URL", "http://127.0.0.1:8000").rstrip("/")
_public = urlsplit(PUBLIC_URL)
if _public.scheme not in ("http", "https") or not _public.hostname:
    raise ImproperlyConfigured(
        f"PUBLIC_URL: need an address like https://pictures.example.com, got {PUBLIC_URL!r}"
    )
IS_HTTPS = _public.scheme == "https"
ALLOWED_HOSTS = [_public.hostname, "127.0.0.1", "localhost", "[::1]"]
ALLOWED_HOSTS += [host for host in env_text("EXTRA_HOSTS").split(",") if host]
CSRF_TRUSTED_ORIGINS = [f"{_public.scheme}://{_public.netloc}"]
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if env_bool("BEHIND_PROXY", False) else None
SECURE_SSL_REDIRECT = IS_HTTPS and env_bool("REDIRECT_TO_HTTPS", True)
SECURE_HSTS_SECONDS = 31_536_000 if IS_HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_HSTS_PRELOAD = IS_HTTPS
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = IS_HTTPS
SESSION_COOKIE_AGE = 60 * 60 * 24 * 30
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "csp.middleware.CSPMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
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
DATABASES: dict[str, Any]
if _database_url := env_text("DATABASE_URL"):
    DATABASES = {"default": dj_database_url.parse(_database_url, conn_max_age=60, conn_health_checks=True)}
else:
    DATABASES = {
        "default": {
            "ENGINE": "django.db.backends.sqlite3",
            "NAME": DATA_DIR / "mullion.sqlite3",
            "OPTIONS": {
                "timeout": 20,
                "transaction_mode": "IMMEDIATE",
                "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;",
            },
        }
    }

# --- queue ---------------------------------------------------------------------------------------------
REDIS_URL = env_text("REDIS_URL")
QUEUE_DIR = DATA_DIR / "queue"
CELERY_BROKER_URL = REDIS_URL or "filesystem://"
CELERY_BROKER_TRANSPORT_OPTIONS = (
    {"visibility_timeout": 3600}
    if REDIS_URL
    else {
        "data_folder_in": str(QUEUE_DIR / "messages"),
        "data_folder_out": str(QUEUE_DIR / "messages"),
        "control_folder": str(QUEUE_DIR / "control"),
        "processed_folder": str(QUEUE_DIR / "processed"),
        "store_processed": False,
        "polling_interval": 0.2,
    }
)
CELERY_TASK_IGNORE_RESULT = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_TASK_ACKS_LATE = True
CELERY_WORKER_ENABLE_REMOTE_CONTROL = False
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TIMEZONE = "UTC"

CACHES: dict[str, Any] = {
    "default": (
        {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": REDIS_URL}
        if REDIS_URL
        else {
            "BACKEND": "django.core.cache.backends.filebased.FileBasedCache",
            "LOCATION": str(DATA_DIR / "cache" / "django"),
        }
    )
}

# --- files ---------------------------------------------------------------------------------------------
MEDIA_ROOT = DATA_DIR / "files"
PARTIAL_DIR = DATA_DIR / "partial"
CACHE_DIR = DATA_DIR / "cache"
INTAKE_DIRS = [Path(folder) for folder in env_text("INTAKE_DIRS").split(os.pathsep) if folder]
STATIC_URL = "/static/"
STATIC_ROOT = Path(env_text("STATIC_ROOT", str(DATA_DIR / "static")))
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = DEBUG
_default_storage: dict[str, Any] = {"BACKEND": "django.core.files.storage.FileSystemStorage"}
if env_text("S3_BUCKET"):
    _default_storage = {
        "BACKEND": "storages.backends.s3.S3Storage",
        "OPTIONS": {
            "bucket_name": env_text("S3_BUCKET"),
            "endpoint_url": env_text("S3_ENDPOINT_URL") or None,
            "region_name": env_text("S3_REGION") or None,
            "access_key": env_text("S3_ACCESS_KEY") or None,
            "secret_key": env_text("S3_SECRET_KEY") or None,
            "default_acl": None,
            "file_overwrite": True,
            "querystring_auth": True,
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
AXES_FAILURE_LIMIT = env_int("SIGN_IN_TRIES", 8)
AXES_COOLOFF_TIME = 1
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]

# --- mail ----------------------------------------------------------------------------------------------
SMTP_HOST = env_text("SMTP_HOST")
EMAIL_BACKEND = (
    "django.core.mail.backends.smtp.EmailBackend"
    if SMTP_HOST
    else "django.core.mail.backends.dummy.EmailBackend"
)
EMAIL_HOST = SMTP_HOST
EMAIL_PORT = env_int("SMTP_PORT", 587)
EMAIL_HOST_USER = env_text("SMTP_USER")
EMAIL_HOST_PASSWORD = env_text("SMTP_PASSWORD")
EMAIL_USE_TLS = env_bool("SMTP_STARTTLS", True)
EMAIL_TIMEOUT = 20
DEFAULT_FROM_EMAIL = env_text("MAIL_FROM", "mullion@localhost")

# --- words and times -----------------------------------------------------------------------------------
LANGUAGE_CODE = "en"
USE_I18N = True
USE_TZ = True
TIME_ZONE = "UTC"

# --- pictures ------------------------------------------------------------------------------------------
MAKE_TIMEOUT_S = env_int("MAKE_TIMEOUT_S", 300)
MAKE_MEMORY_MB = env_int("MAKE_MEMORY_MB", 3000)
CLAIM_S = env_int("CLAIM_S", 60)
UPLOAD_MAX_MB = env_int("UPLOAD_MAX_MB", 2048)
UPLOAD_KEEP_DAYS = env_int("UPLOAD_KEEP_DAYS", 7)

LOGGING: dict[str, Any] = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "%(asctime)s %(levelname)s %(name)s: %(message)s"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["console"], "level": env_text("LOG_LEVEL", "WARNING")},
}

# --- the staff's main navigation: route, words, roles ----------------------------------------------------
STAFF_NAV: list[tuple[str, str, tuple[str, ...]]] = []
