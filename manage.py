#!/usr/bin/env python3
"""Django's manage.py. Outside the project's own environment it makes that first, then runs again inside it."""

import os
import sys

from config import bootstrap


def main():
    bootstrap.enter(sys.argv)
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
