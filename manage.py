#!/usr/bin/env python3
"""Command line of Gait Clinic Records."""

import os
import sys

# These compute from one file and write nothing, so no secret key is made for them either.
COMPUTING = {"propose", "measure"}


def main() -> None:
    if COMPUTING & set(sys.argv[1:2]):
        os.environ.setdefault("CLINIC_SECRET_KEY", "nothing is signed here")
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.web.settings")
    from django.core.management import execute_from_command_line  # slow import: django

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
