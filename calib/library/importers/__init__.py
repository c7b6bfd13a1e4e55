"""Spectra from other formats: one file a format, each opened lazily and read in blocks."""

from calib.library.importers.source import Source, open_source

__all__ = ["Source", "open_source"]
