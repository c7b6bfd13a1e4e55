"""Families of regressors, one file each; ``pls`` is the heart."""
