"""Ranges of frames that have been decoded without them: most epochs' ranges are never asked for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.bits import BitField
from hubtack.decode.observations import legacy_cells, msm_cells

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RangedFrames:
    """The frames of one stretch with what their headers say, (F,) each; ``n_sat`` is of the legacy messages."""

    bits: BitField
    number: Ints
    system: Ints
    level: Ints
    n_sat: Floats

    def __len__(self) -> int:
        return len(self.number)

    def cells(self, frames: Ints) -> Floats:
        """(n, columns) of ``SATELLITE_COLUMNS``, ranges and phases included, of observation frames in ascending order.

        The cells that a decoder with ``observables`` gives for these frames.
        """
        msm = self.level[frames] > 0
        parts = []
        if msm.any():
            parts.append(msm_cells(self.bits, frames[msm], self.system, self.level, True)[0])
        if not msm.all():
            parts.append(legacy_cells(self.bits, frames[~msm], self.number, self.system, self.n_sat, True))
        values = parts[0] if len(parts) == 1 else np.concatenate(parts)
        return values if msm.all() else values[np.argsort(values[:, 0], kind="stable")]
