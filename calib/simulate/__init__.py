"""The plasma that makes demo spectra."""
