"""HTTP, command line and rendering around the worker: decides nothing about the trade."""

from importlib.metadata import version

RELEASE = version("cutledger")
