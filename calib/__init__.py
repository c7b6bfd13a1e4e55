"""A workbench for the calibration of stand-off LIBS."""

from calib._version import __version__

__all__ = ["__version__"]
