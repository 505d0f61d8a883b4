#!/usr/bin/env python3
"""Command line of Gait Clinic Records."""

import os
import sys
from pathlib import Path

# This computes from one file and writes nothing, so no secret key is made for it either.
COMPUTING = {"propose"}


def set_up_demo() -> None:
    """The demo keeps a database of its own, so that it never touches a real clinic's."""
    os.environ.setdefault("CLINIC_DEMO", "yes")
    data = Path(os.environ.get("CLINIC_DATA", Path(__file__).resolve().parent / ".data"))
    os.environ.setdefault("DATABASE_URL", f"sqlite:///{data / 'demo.sqlite3'}")


def main() -> None:
    if COMPUTING & set(sys.argv[1:2]):
        os.environ.setdefault("CLINIC_SECRET_KEY", "nothing is signed here")
    if sys.argv[1:2] == ["demo"]:
        set_up_demo()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.web.settings")
    from django.core.management import execute_from_command_line  # slow import: django

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
