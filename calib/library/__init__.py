"""Importing tables of spectra; standards and spectra on disk; audit."""
