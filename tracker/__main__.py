"""Lets `python -m tracker` be the command."""

from tracker.cli.main import command

command()
