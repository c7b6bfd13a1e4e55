"""Figures and the HTML report. It sees results and tables, never a library or a model."""
