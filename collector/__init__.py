"""Reads controllers and keeps the book: the daemon and the command line."""

from importlib.metadata import version

__version__ = version("clampbook")
