"""What a server is not started for: a database without its guards or that may lose what it has."""

import sys

from django.conf import settings
from django.core.checks import ERROR, CheckMessage, Tags, run_checks
from django.db import OperationalError, connections

from clinic.web.backups.locks import hold_in_use
from clinic.web.backups.refusals import Refused

# gunicorn tries again for ever after any other number; with this one it stops
NO_USE_TRYING_AGAIN = 3


def database_faults() -> list[str]:
    """A sentence with its remedy for each reason not to start; none when all is well."""
    try:
        found = run_checks(tags=[Tags.database], databases=["default"])
    except OperationalError as error:
        return [f"The database cannot be reached: {error}"]
    return [sentence(it) for it in found if it.level >= ERROR and not it.is_silenced()]


def sentence(message: CheckMessage) -> str:
    return f"{message.id}: {message.msg} {message.hint or ''}".rstrip()


def refuse_unsafe_database() -> None:
    """Say why and end the process, unless the database is as it must be."""
    faults = database_faults()
    connections.close_all()  # a server that forks after this must not share the connection
    if faults:
        sys.stderr.write("Not started.\n" + "".join(f"{fault}\n" for fault in faults))
        raise SystemExit(NO_USE_TRYING_AGAIN)


def hold_data_folder() -> None:
    """Tell a restore that a server works here; end the process while a restore goes on."""
    try:
        hold_in_use(settings.DATA_DIR)
    except Refused as refusal:
        sys.stderr.write(f"Not started.\n{refusal}\n")
        raise SystemExit(NO_USE_TRYING_AGAIN) from refusal
