#!/usr/bin/env python3
"""Command line of Gait Clinic Records."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.web.settings")
    from django.core.management import execute_from_command_line  # slow import: django

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
