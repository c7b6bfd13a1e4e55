"""Frozen models: freeze, store, runtime, check."""
