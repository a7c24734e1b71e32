"""Lets `python -m tracker` be the command."""

import sys

from tracker.cli.main import main

sys.exit(main())
