"""HTTP, command line and rendering around the worker: decides nothing about the trade."""

from worker.settings import RELEASE

__all__ = ["RELEASE"]
