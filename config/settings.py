"""All settings. What differs between installations comes from the environment; README and DEVELOPERS.md list it."""

import os
import re
import secrets
import tempfile
from contextlib import suppress
from pathlib import Path

import environ
from csp.constants import NONE, SELF
from django.core.exceptions import ImproperlyConfigured

BASE_DIR = Path(__file__).resolve().parent.parent
env = environ.Env()

# What the plant itself keeps on this machine: its SQLite database, its key.
DATA_DIR = Path(env.str("DATA_DIR", default=str(BASE_DIR / ".data")))
DATA_DIR.mkdir(mode=0o700, parents=True, exist_ok=True)


def kept_secret(path: Path) -> str:
    """The key in `path`, made at the first start; of two first starts at once, one makes it for both."""
    if not path.exists():
        draft = path.with_name(f"{path.name}.{os.getpid()}")
        draft.touch(mode=0o600)
        draft.write_text(secrets.token_urlsafe(64))
        with suppress(FileExistsError):
            os.link(draft, path)  # refuses to overwrite, and never shows a half-written key
        draft.unlink()
    return path.read_text()


def link_base(address: str) -> str:
    """The beginning of the links on labels: in capitals, in which a code stays small, so it is a host alone."""
    base = address.rstrip("/").upper()
    if base and not re.fullmatch(r"HTTPS?://[A-Z0-9.-]+(:[0-9]+)?", base):
        raise ImproperlyConfigured(f"LABEL_URL is https:// and a host, without a path, and not “{address}”.")
    return f"{base}/" if base else ""


# Under which address phones reach the plant's pages. Empty: codes on labels hold keys, and no link.
LABEL_URL = link_base(env.str("LABEL_URL", default=""))

SECRET_KEY = env.str("SECRET_KEY", default="") or kept_secret(DATA_DIR / "secret_key")
# Keys that were in use before: what they signed stays valid.
SECRET_KEY_FALLBACKS = env.list("SECRET_KEY_FALLBACKS", default=[])
DEBUG = env.bool("DEBUG", default=False)
ALLOWED_HOSTS = env.list("ALLOWED_HOSTS", default=["localhost", "127.0.0.1", "[::1]"])
CSRF_TRUSTED_ORIGINS = env.list("CSRF_TRUSTED_ORIGINS", default=[])

# Off only where pages are served over plain HTTP: development, and the demo on its own machine.
HTTPS = env.bool("HTTPS", default=not DEBUG)
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = SECURE_SSL_REDIRECT = HTTPS
SECURE_HSTS_SECONDS = 365 * 24 * 60 * 60 if HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_HSTS_PRELOAD = HTTPS
# The proxy that ends TLS must set X-Forwarded-Proto itself, and never pass on what came from outside.
BEHIND_PROXY = env.bool("BEHIND_PROXY", default=False)
if BEHIND_PROXY:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")

ROOT_URLCONF = "trace.urls"
WSGI_APPLICATION = "config.wsgi.application"

INSTALLED_APPS = [
    "trace.apps.TraceConfig",
    "trace.apps.MasterData",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "axes",
    "csp",
    "django_htmx",
    "rest_framework",
    "django_filters",
    "drf_spectacular",
    "drf_spectacular_sidecar",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "csp.middleware.CSPMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "axes.middleware.AxesMiddleware",
    "trace.web.kiosk.Kiosk",
    "trace.web.middleware.PlantPages",
]

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ],
            "builtins": ["django.templatetags.static", "django_htmx.templatetags.django_htmx", "trace.web.tags"],
        },
    },
]

# Databases -----------------------------------------------------------------------------------------------------------

# Each test run has a database of its own, so that two runs on one machine don't meet. It is a file even on SQLite:
# a live server's thread shares an in-memory database with its test and then finds it locked.
TEST_RUN = env.str("TEST_RUN", default=str(os.getpid()))


def sqlite(name: str) -> dict[str, object]:
    return {
        "ENGINE": "django.db.backends.sqlite3",
        "NAME": name,
        "OPTIONS": {
            # Without IMMEDIATE two transactions that read and then write one row lose an update.
            "transaction_mode": "IMMEDIATE",
            "timeout": 20,
            "init_command": "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL",
        },
        "TEST": {"NAME": str(Path(tempfile.gettempdir()) / f"trace-test-{TEST_RUN}.sqlite3")},
    }


def postgresql(url: dict[str, object]) -> dict[str, object]:
    from psycopg import IsolationLevel

    return {
        **url,
        "CONN_MAX_AGE": 0,  # the pool keeps connections, and refuses to work with Django's own way of keeping them
        "OPTIONS": {
            "pool": {"min_size": 1, "max_size": env.int("DATABASE_POOL", default=8)},
            # The planner guesses the cost of range scans high, and would compile for longer than they run. And what
            # `core.sql.fetch_planned` asks, which alone is bound by the server, is planned for good at the fourth time.
            "options": "-c jit=off -c plan_cache_mode=force_generic_plan",
            "prepare_threshold": 3,
            # The hold gate reads the holds in a later statement than its lock: that must see what was committed since.
            "isolation_level": IsolationLevel.READ_COMMITTED,
        },
        "TEST": {"NAME": f"test_{url['NAME']}_{TEST_RUN}"},
    }


def database() -> dict[str, object]:
    if not env.str("DATABASE_URL", default=""):
        return sqlite(str(DATA_DIR / "plant.sqlite3"))
    url = env.db_url("DATABASE_URL")
    return sqlite(url["NAME"]) if url["ENGINE"].endswith("sqlite3") else postgresql(url)


# No ATOMIC_REQUESTS: an operation's first statement is its lock, so the operation opens its own transaction.
DATABASES = {"default": database()}
# SQLite has no INCLUDE columns in an index and does without them; PostgreSQL uses them.
# Who asked the API how often lately: lost with a restart, and that does no harm.
CACHES = {"default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache", "OPTIONS": {"MAX_ENTRIES": 10_000}}}
SILENCED_SYSTEM_CHECKS = ["models.W040"]
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

# People --------------------------------------------------------------------------------------------------------------

AUTH_USER_MODEL = "trace.User"
LOGIN_URL = "/sign-in/"
LOGIN_REDIRECT_URL = "/"
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
    "trace.web.kiosk.ByBadge",
]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
SESSION_COOKIE_AGE = 12 * 60 * 60  # a shift and its overtime: nobody is signed in where the next one works
BADGE_IDLE = 10 * 60  # seconds: whoever came by badge and PIN and then did nothing so long has gone
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": f"django.contrib.auth.password_validation.{name}"}
    for name in ("UserAttributeSimilarityValidator", "MinimumLengthValidator", "CommonPasswordValidator")
]
# By name and address together: one mistyping person must not lock out a colleague, nor a whole line behind one address.
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_FAILURE_LIMIT = 8
AXES_COOLOFF_TIME = 0.25  # hours
AXES_RESET_ON_SUCCESS = True
AXES_SENSITIVE_PARAMETERS = ["pin", "code", "badge"]  # kept out of what is noted of a failure, as passwords are
AXES_LOCKOUT_TEMPLATE = "locked_out.html"
CSRF_FAILURE_VIEW = "trace.web.views.entry.csrf_failed"

# Pages ---------------------------------------------------------------------------------------------------------------

LANGUAGE_CODE = "en-gb"
USE_I18N = True
USE_TZ = True
TIME_ZONE = env.str("PLANT_TIME_ZONE", default="UTC")

STATIC_URL = "static/"
WHITENOISE_USE_FINDERS = True  # served from where they lie, so there is no collecting step to forget

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF],
        "font-src": [SELF],
        "connect-src": [SELF],
        "form-action": [SELF],
        "base-uri": [NONE],
        "frame-ancestors": [NONE],
    },
}
X_FRAME_OPTIONS = "DENY"

# API -----------------------------------------------------------------------------------------------------------------

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "trace.api.entry.ByToken",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["trace.api.entry.HasRole"],
    "DEFAULT_THROTTLE_CLASSES": ["trace.api.entry.Requests"],
    # Counted by each worker for itself. A batch is one request.
    "DEFAULT_THROTTLE_RATES": {
        "requests": env.str("API_RATE", default="3000/min"),
        "bad-tokens": env.str("API_BAD_TOKENS", default="30/min"),
    },
    "NUM_PROXIES": int(BEHIND_PROXY),
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "EXCEPTION_HANDLER": "trace.api.problems.answer_problem",
    "UNICODE_JSON": True,
}
SPECTACULAR_SETTINGS = {
    "SWAGGER_UI_SETTINGS": {"docExpansion": "none", "persistAuthorization": False},
    "TITLE": "Traceability",
    "DESCRIPTION": "Every operation of the plant, everything on record, and the answers.",
    "VERSION": "1",
    "OAS_VERSION": "3.1.1",
    "SERVE_INCLUDE_SCHEMA": False,
    "SERVE_PERMISSIONS": ["trace.api.entry.HasRole"],
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
    "COMPONENT_SPLIT_REQUEST": True,
    "ENUM_NAME_OVERRIDES": {
        "PartKind": "trace.engineering.models.Part.Kind",
        "ContainerKind": "trace.material.models.Container.Kind",
        "FeedKind": "trace.material.models.Feed.Kind",
        "AxisKind": "trace.material.models.Axis.Kind",
        "InspectionManner": "trace.material.models.Manner",
        "SampleCounted": "trace.floor.models.Counted",
        "PassOutcome": "trace.floor.models.Pass.Outcome",
        "ReconciliationOutcome": "trace.containment.models.Outcome",
        "TermKind": "trace.containment.models.Kind",
        "RemarkHeading": "trace.containment.models.Heading",
        "QualityHeading": "trace.engineering.models.QualityHeading",
    },
}

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "{asctime} {levelname} {name}: {message}", "style": "{"}},
    "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["stderr"], "level": env.str("LOG_LEVEL", default="WARNING")},
}
