"""All faults and all kinds of ordinary day, by name."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from hubtack.simulate.clean_days import CLEAN_DAYS
from hubtack.simulate.faults_link import LINK_FAULTS
from hubtack.simulate.faults_rover import ROVER_FAULTS
from hubtack.simulate.world import World

Apply = Callable[[World, np.random.Generator], None]

FAULTS: Mapping[str, Apply] = {f.__name__: f for f in (*LINK_FAULTS, *ROVER_FAULTS)}
CLEAN: Mapping[str, Apply] = {f.__name__: f for f in CLEAN_DAYS}
