"""Folds, scores, intervals, limits: what makes an RMSEP honest."""
