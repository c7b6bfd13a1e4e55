"""Frozen models: the runtime that predicts, the store that keeps versions, the check."""
