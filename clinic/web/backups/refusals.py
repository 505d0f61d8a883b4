"""Why a backup is not taken, not put back, or a clinic not moved."""

import sqlite3

import psycopg
from django.db import DatabaseError


class Refused(Exception):  # noqa: N818  # what was asked is refused, nothing broke
    """Nothing was changed; the message is a sentence that says why and what to do."""


# what a command answers with a sentence: a refusal, the disk, a bad setting, either engine
FAULTS = (Refused, OSError, ValueError, DatabaseError, sqlite3.Error, psycopg.Error)
