"""The only settings file; what differs between clinics is read from the environment (README)."""

import os
from pathlib import Path
from typing import Any

import dj_database_url
from csp.constants import NONE, SELF

from clinic.web import environment

BASE_DIR = Path(__file__).resolve().parent.parent.parent
DATA_DIR = Path(environment.text("CLINIC_DATA", str(BASE_DIR / ".data")))
REFERENCE_DIR = BASE_DIR / "fixtures"
LEAST_FREE_MB = environment.number("CLINIC_LEAST_FREE_MB", default=500, least=1, most=10**7)

DEBUG = False
DEMO = environment.flag("CLINIC_DEMO", default=False)
SECRET_KEY, SECRET_KEY_GIVEN = environment.kept_secret("CLINIC_SECRET_KEY", DATA_DIR)
ALLOWED_HOSTS = environment.words("CLINIC_HOSTS", "localhost,127.0.0.1,[::1]")
CSRF_TRUSTED_ORIGINS = environment.words("CLINIC_ORIGINS")
HTTPS = environment.flag("CLINIC_HTTPS", default=not DEMO)

INSTALLED_APPS = [
    "clinic.web",
    "exercises",
    "assessments",
    "clinic",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.contrib.humanize",
    "allauth",
    "allauth.account",
    "allauth.mfa",
    "allauth.usersessions",
    "crispy_forms",
    "crispy_bootstrap5",
    "django_htmx",
]

# the first seven stand outside all that can fail, so that every answer carries their headers
MIDDLEWARE = [
    "clinic.web.requests.followed",
    "clinic.middleware.private_pages",
    "csp.middleware.CSPMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "django.middleware.gzip.GZipMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "clinic.middleware.origin",
    "clinic.time_limits.TimeLimits",
    "clinic.saving.SignInRequired",
    "clinic.factors.SecondFactorRequired",
    "django.contrib.messages.middleware.MessageMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "clinic.refusals.recorded",
]

ROOT_URLCONF = "clinic.web.urls"
WSGI_APPLICATION = "clinic.web.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "clinic.web.context.page",
            ],
        },
    }
]
CRISPY_ALLOWED_TEMPLATE_PACKS = "bootstrap5"
CRISPY_TEMPLATE_PACK = "bootstrap5"

SQLITE_ENGINE = "clinic.web.sqlite3"
SQLITE_OPTIONS = {
    "transaction_mode": "IMMEDIATE",  # the write lock at BEGIN: no "database is locked" half way
    "timeout": 15,  # seconds a page waits for another writer (clinic/web/limits.py)
    # FULL, because in WAL mode NORMAL may lose the last commits at a power cut
    # secure_delete: what is deleted is overwritten, also when a record is destroyed
    "init_command": (
        "PRAGMA journal_mode=WAL;PRAGMA synchronous=FULL;PRAGMA foreign_keys=ON;"
        "PRAGMA secure_delete=ON;"
    ),
}
# seconds, milliseconds: how long a server that does not answer is waited for
POSTGRES_OPTIONS = {
    "connect_timeout": 5,
    "tcp_user_timeout": 15_000,
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 3,
}


def database() -> dict[str, Any]:
    """The one database: DATABASE_URL, or a SQLite file in the data folder."""
    url = environment.text("DATABASE_URL", f"sqlite:///{DATA_DIR / 'records.sqlite3'}")
    found: dict[str, Any] = dict(dj_database_url.parse(url))
    if found["ENGINE"].endswith("sqlite3"):
        found |= {"ENGINE": SQLITE_ENGINE, "OPTIONS": SQLITE_OPTIONS}
        # a file as in use: a database in memory locks whole tables between the server's threads;
        # one for each run, so that two runs at once do not empty each other's
        found["TEST"] = {"NAME": str(DATA_DIR / f"test-{os.getpid()}.sqlite3")}
    else:
        found["CONN_MAX_AGE"], found["CONN_HEALTH_CHECKS"] = 600, True
        found["OPTIONS"] = POSTGRES_OPTIONS | found.get("OPTIONS", {})
    return found


DATABASES = {"default": database()}
# yes: a PostgreSQL server that may lose the last saves is warned of and used all the same
UNSAFE_DURABILITY = environment.flag("CLINIC_UNSAFE_DURABILITY", default=False)
# without a good backup for so long the manager's first page says so
BACKUP_HOURS = environment.number("CLINIC_BACKUP_HOURS", default=24, least=1, most=24 * 31)
# folder of pg_dump and pg_restore where they are not on the PATH
PG_BIN = environment.text("CLINIC_PG_BIN")
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
# shared by all workers, so that throttling counts each wrong password once
CACHES = {
    "default": {
        "BACKEND": "django.core.cache.backends.db.DatabaseCache",
        "LOCATION": "cache",
        # the built-in 300 would let a flood of invented names wash the counts away
        "OPTIONS": {"MAX_ENTRIES": 200_000},
    }
}

AUTH_USER_MODEL = "clinic.Staff"
AUTHENTICATION_BACKENDS = ["allauth.account.auth_backends.AuthenticationBackend"]
PASSWORD_HASHERS = ["clinic.passwords.Argon2Hasher"]
AUTH_PASSWORD_VALIDATORS = [{"NAME": "clinic.passwords.ClinicPassword"}]
PASSWORD_RESET_TIMEOUT = 60 * 60
LOGIN_URL = "account_login"
LOGIN_REDIRECT_URL = "today"
ACCOUNT_LOGOUT_REDIRECT_URL = "account_login"
ACCOUNT_ADAPTER = "clinic.accounts.ClosedAccounts"
ACCOUNT_LOGIN_METHODS = {"username"}
ACCOUNT_SIGNUP_FIELDS = ["username*", "password1*", "password2*"]
ACCOUNT_EMAIL_VERIFICATION = "none"
ACCOUNT_EMAIL_SUBJECT_PREFIX = ""
# why these and no others: DEVELOPERS.md, "Sign-in"
ACCOUNT_RATE_LIMITS = {
    "known_browser": "10/5m/key",
    "name_address": "5/5m/key",
    "name": "30/h/key,90/d/key",
    "address": "20/5m/ip",
    "login_failed": "5/5m/key,20/h/key,60/d/key",  # codes of the second factor
    "reset_password": "20/h/ip,3/15m/key",
    "emergency": "5/15m/key,20/d/key",  # tries of one clinician that open nothing
}
ACCOUNT_FORMS = {"reset_password": "clinic.forms.accounts.AskForLinkForm"}
# how long a record opened in an emergency stays open; the database refuses more than eight
EMERGENCY_HOURS = environment.number("CLINIC_EMERGENCY_HOURS", default=4, least=1, most=8)
STEADY_SECONDS = 0.25  # a refused sign-in is answered after a whole number of these
ACCOUNT_PRESERVE_USERNAME_CASING = False
ACCOUNT_SESSION_REMEMBER = False
SECOND_FACTOR = environment.flag("CLINIC_SECOND_FACTOR", default=not DEMO)
MFA_ADAPTER = "clinic.accounts.SealedFactors"
MFA_ALLOW_UNVERIFIED_EMAIL = True
MFA_RECOVERY_CODES_SHOW_ONCE, MFA_RECOVERY_CODE_DIGITS = True, 12
MFA_SUPPORTED_TYPES = ["totp", "recovery_codes", "webauthn"]

# the longest form, all answers of an assessment, is a hundredth of it; files are limited where
# they are read
DATA_UPLOAD_MAX_MEMORY_SIZE = 2_500_000
DATA_UPLOAD_MAX_NUMBER_FIELDS = 1000
DATA_UPLOAD_MAX_NUMBER_FILES = 10
CSRF_FAILURE_VIEW = "clinic.web.views.errors.csrf_failure"
IDLE_SECONDS = 60 * environment.number("CLINIC_IDLE_MINUTES", default=30, least=5, most=30)
SESSION_COOKIE_AGE = 12 * 60 * 60
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = HTTPS
SESSION_COOKIE_NAME = "__Host-sessionid" if HTTPS else "sessionid"
CSRF_COOKIE_NAME = "__Host-csrftoken" if HTTPS else "csrftoken"
KNOWN_COOKIE_NAME = "__Host-known" if HTTPS else "known"  # clinic/guessing.py
SECURE_SSL_REDIRECT = HTTPS
SECURE_HSTS_SECONDS = 365 * 24 * 60 * 60 if HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_HSTS_PRELOAD = HTTPS
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
BEHIND_PROXY = environment.flag("CLINIC_BEHIND_PROXY", default=False)
if BEHIND_PROXY:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    ALLAUTH_TRUSTED_PROXY_COUNT = 1  # or all tries would come from the proxy's own address
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF],
        "media-src": [SELF],
        "connect-src": [SELF],
        "form-action": [SELF],
        "frame-src": [NONE],
        "object-src": [NONE],
        "base-uri": [NONE],
        "frame-ancestors": [NONE],
    }
}

STATIC_URL = "static/"
STATIC_ROOT = DATA_DIR / "static"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"
        if DEMO
        else "clinic.web.static_files.HashedFiles"
    },
}
MEDIA_ROOT = DATA_DIR / "files"
# a file that a page takes (5 MB at most) stays in memory and is never written down as it came
FILE_UPLOAD_MAX_MEMORY_SIZE = 6_000_000
WHITENOISE_USE_FINDERS = WHITENOISE_AUTOREFRESH = DEMO
WHITENOISE_ALLOW_ALL_ORIGINS = False

LANGUAGE_CODE = "en-gb"
TIME_ZONE = environment.text("CLINIC_TIME_ZONE", "Europe/London")
USE_TZ = True
USE_I18N = True
FORMAT_MODULE_PATH = ["clinic.formats"]
# whose law on consents and records is followed: ISO 3166, two letters
COUNTRY = environment.country("CLINIC_COUNTRY", "GB")
EMAIL_HOST = environment.text("CLINIC_MAIL_HOST", "")
EMAIL_PORT = environment.number("CLINIC_MAIL_PORT", default=587, least=1, most=65535)
EMAIL_HOST_USER = environment.text("CLINIC_MAIL_USER", "")
EMAIL_HOST_PASSWORD = environment.text("CLINIC_MAIL_PASSWORD")
EMAIL_USE_TLS = True
EMAIL_TIMEOUT = 10  # seconds: a page waits for it
DEFAULT_FROM_EMAIL = environment.text("CLINIC_MAIL_FROM", "clinic@localhost")
# without a mail server each e-mail is a file
EMAIL_BACKEND = (
    "django.core.mail.backends.smtp.EmailBackend"
    if EMAIL_HOST
    else "django.core.mail.backends.filebased.EmailBackend"
)
EMAIL_FILE_PATH = DATA_DIR / "mail"

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"()": "clinic.web.logs.OneObject"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["console"], "level": "INFO"},
    # Django gives these handlers of their own; one way of writing is enough
    "loggers": {name: {"handlers": [], "propagate": True} for name in ("django", "django.server")}
    # clinic.web.requests says the same without the address, in which a secret may stand
    | {name: {"level": "CRITICAL"} for name in ("django.request", "django.security.csrf")},
}
