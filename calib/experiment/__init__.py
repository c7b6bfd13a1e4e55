"""Settings, the engine that trains, and the run folder."""

from calib.experiment.engine import train
from calib.experiment.plan import Plan, plan
from calib.experiment.run import Run, open_run
from calib.experiment.settings import Experiment, load_experiment

__all__ = ["Experiment", "Plan", "Run", "load_experiment", "open_run", "plan", "train"]
