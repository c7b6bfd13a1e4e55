"""The one place the version of the code is written."""

__version__ = "0.1.0"
