"""Small draws that the faults share."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.simulate.world import World

START_SHARE, MOST_SHARE = (0.30, 0.36), 0.45


def log_uniform(rng: np.random.Generator, least: float, most: float) -> float:
    """Evenly spread over magnitudes: as often between 1 and 2 as between 10 and 20."""
    return float(np.exp(rng.uniform(np.log(least), np.log(most))))


def window(world: World, rng: np.random.Generator, least_s: float, most_s: float) -> tuple[float, float]:
    """A stretch that leaves the first third of the session clean, and a fifth at the end."""
    length = min(log_uniform(rng, least_s, most_s), world.seconds * MOST_SHARE)
    start = round(world.seconds * float(rng.uniform(*START_SHARE)), 1)
    return start, round(start + length, 1)


def direction(rng: np.random.Generator) -> NDArray[Any]:
    """A unit vector (3,) in any direction."""
    vector = rng.normal(0, 1, 3)
    return np.asarray(vector / np.linalg.norm(vector))


def level_direction(rng: np.random.Generator) -> tuple[float, float]:
    """East and north parts of a level unit vector."""
    angle = float(rng.uniform(0, 2 * np.pi))
    return float(np.sin(angle)), float(np.cos(angle))
