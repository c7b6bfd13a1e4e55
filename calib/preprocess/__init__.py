"""Preprocess steps: each one is data plus one pure function, the same in training and operation."""

from calib.preprocess.chain import Chain
from calib.preprocess.step import Acquisition, Step

__all__ = ["Acquisition", "Chain", "Step"]
