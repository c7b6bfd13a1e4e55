"""Preprocess steps: each one is data plus one pure function."""
