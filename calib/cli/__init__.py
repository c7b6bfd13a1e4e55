"""The ``calib`` command."""
