"""The base's own observations beside its broadcast position: the session's part of it.

Thin: the work is done in ``orbits``; this puts its answers on the session's axis and keeps them until asked.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.decoder import Decoder
from hubtack.decode.tables import Decoded
from hubtack.diagnosis.base_seen import BaseMove, BaseSeen
from hubtack.engine.axis import DAY_NS, SessionAxis
from hubtack.engine.link import LinkEngine, LinkSetup
from hubtack.orbits.api import EPHEMERIS_MESSAGES, BasePositionResult, BaseWatcher, CannotTell
from hubtack.orbits.calendar import week_of
from hubtack.orbits.disturbance import Step
from hubtack.orbits.ephemeris import DAY_S, WEEK_S, Ephemeris
from hubtack.session.leap_watch import LeapWatch

# Moves are looked for over ten seconds: a fifth of the cost of each epoch, and a knock is told within half a minute.
PHASE_EVERY_S = 10.0
_MOST_MOVES = 50
_UNIX_GPS_DAYS = 3657  # 1980-01-06, in days since 1970


def observing_decoder() -> Decoder:
    """A decoder that keeps what the watch needs: ranges, phases and ephemerides."""
    return Decoder(on_request=True, keep_payloads=EPHEMERIS_MESSAGES)


@dataclass(slots=True)
class BaseWatch:
    """Watches the base of one session through its correction stream.

    Parameters
    ----------
    setup : LinkSetup
        What is known of the site: marks and geoid separation help to name a mistake.
    """

    setup: LinkSetup
    watcher: BaseWatcher = field(default_factory=lambda: BaseWatcher(phase_every_s=PHASE_EVERY_S))
    leap: LeapWatch = field(default_factory=LeapWatch)
    moves: list[BaseMove] = field(default_factory=list)
    _seen: BaseSeen | None = None
    _seen_at: object = None
    _knows_file: bool = False  # a file may be of another week, and must not say the date

    def add_ephemerides(self, ephemerides: Iterable[Ephemeris]) -> None:
        """Ephemerides of a navigation file, for a stream that carries none."""
        self.watcher.add_ephemerides(ephemerides)
        self._knows_file = True

    def feed(self, decoded: Decoded, link: LinkEngine, axis: SessionAxis) -> None:
        """Take a stretch that ``link`` has taken; a confirmed move is told to it, for it must be latched."""
        if len(decoded.frames):
            self.leap.feed(decoded.frames)
            self._note(self.watcher.feed(decoded), link)
            for pos in self.watcher.claimed_at:
                link.note_base("base_misplaced", pos)
            self.watcher.claimed_at.clear()
            self._learn_date(axis, link)

    def close(self, link: LinkEngine) -> None:
        """End of input: the last epoch counts too."""
        self._note(self.watcher.close(), link)

    def _note(self, steps: list[Step], link: LinkEngine) -> None:
        for step in steps:
            move = BaseMove(
                self.axis_ns(step.since_gpst_s, link),
                self.axis_ns(step.t_gpst_s, link),
                _trio(step.offset_enu_m),
                _trio(step.sigma_enu_m),
                step.satellites,
            )
            if len(self.moves) < _MOST_MOVES:
                self.moves.append(move)
            link.note_base("base_disturbed", step.confirmed_pos)

    def axis_ns(self, t_gpst_s: float, link: LinkEngine) -> int:
        """A time of the GPS week on the axis, on the day nearest to where the stream is."""
        tod_ns = round((t_gpst_s - self.watcher.leap_s) % DAY_S * 1e9)
        last_ns = link.time.last_ns or 0
        return last_ns + (tod_ns - last_ns + DAY_NS // 2) % DAY_NS - DAY_NS // 2

    def _learn_date(self, axis: SessionAxis, link: LinkEngine) -> None:
        """Ephemerides name their week; it serves where nobody else has said the date."""
        t_s = self.watcher.t_gpst_s
        if self._knows_file or axis.time_basis is not None or not np.isfinite(t_s) or link.time.last_ns is None:
            return
        week = week_of(self.watcher.ephemerides, t_s % WEEK_S)
        if week is not None:
            day = _UNIX_GPS_DAYS + 7 * week + int((t_s % WEEK_S - self.watcher.leap_s) // DAY_S)
            axis.learn_date(day, self.axis_ns(t_s, link), "ephemeris")

    def seen(self) -> BaseSeen:
        """What can be said now; worked out anew only when an epoch or a move has come since."""
        at = (self.watcher.revision, len(self.moves))
        if self._seen is None or self._seen_at != at:
            self._seen, self._seen_at = self._look(), at
        return self._seen

    def _look(self) -> BaseSeen:
        result = self.watcher.result(geoid_separation_m=self.setup.geoid_separation_m)
        if isinstance(result, BasePositionResult) and result.misplaced:
            # Only now is it worth loading what turns the site's grid into positions.
            marks = {name: np.array(place) for name, place in self.setup.marks_ecef_m().items()}
            if marks:
                result = self.watcher.result(geoid_separation_m=self.setup.geoid_separation_m, marks_ecef_m=marks)
        moves, limit = tuple(self.moves), self.watcher.disturbance_limit()
        if isinstance(result, CannotTell):
            return BaseSeen(
                None, result.reason, result.next_step, (), moves=moves, moves_says=limit, lowest_deg=self._lowest_deg()
            )
        return BaseSeen(
            result.misplaced,
            result.summary(),
            "",
            tuple(result.next_steps()),
            _trio(result.offset_enu_m),
            result.mistakes[0].text if result.mistakes else "",
            result.evidence(),
            moves,
            limit,
            self._lowest_deg(),
        )

    def _lowest_deg(self) -> float:
        """Elevation of the lowest satellite that the base hears. [deg]"""
        view, heard = self.watcher.view(), self.watcher.tracked
        if view is None:
            return float("nan")
        keys = zip(view.system.tolist(), view.satellite.tolist(), view.elevation_rad.tolist(), strict=True)
        known = [e for s, n, e in keys if (s, n) in heard and np.isfinite(e)]
        return float(np.degrees(np.array(known)).min()) if known else float("nan")


def _trio(values: NDArray[np.float64]) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])
