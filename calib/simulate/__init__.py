"""Simulated campaigns: spectra from the physics of a plasma, not from mixed peaks."""

from calib.simulate.campaign import Burst, Campaign, Plan, Shots
from calib.simulate.library import simulate_library
from calib.simulate.settings import SimulationSettings

__all__ = ["Burst", "Campaign", "Plan", "Shots", "SimulationSettings", "simulate_library"]
