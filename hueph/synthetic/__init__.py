"""Scenes with known truth, drawn from physics: for training, calibration and tests only.

Nothing here is shared with the estimator. `draw_world` makes a random world, `simulate_measurements`
gives the mean colours a photograph of it shows (fast).
"""

from hueph.synthetic.measure import Region, SceneMeasurements, simulate_measurements
from hueph.synthetic.scene import Scene, draw_world
from hueph.synthetic.tubes import Tube

__all__ = ["Region", "Scene", "SceneMeasurements", "Tube", "draw_world", "simulate_measurements"]
