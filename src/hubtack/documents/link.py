"""A correction stream as the JSON contract's ``link`` document."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from hubtack.diagnosis.base_seen import BaseSeen
from hubtack.diagnosis.loss import loss_pattern
from hubtack.diagnosis.ready import Criterion
from hubtack.documents.base_check import base_check
from hubtack.engine.axis import SessionAxis
from hubtack.engine.link import LinkEngine
from hubtack.engine.link_content import SystemTally
from hubtack.engine.link_ledger import COMPLETE, INCOMPLETE, LOST
from hubtack.engine.link_tally import LinkTally, MessageTally
from hubtack.framing.sniff import sniff
from hubtack.geo import ecef_to_geodetic
from hubtack.knowledge.messages import SYSTEMS, message_name
from hubtack.knowledge.signals import rinex_code
from hubtack.safe import safe_text

_FORMATS: Mapping[str, str] = {"html": "text", "compressed": "unknown"}
STRIP_WIDTH = 120
ToGrid = Callable[[float, float], tuple[float, float]]  # latitude, longitude [deg] to easting, northing [m]


def link_body(
    engine: LinkEngine,
    axis: SessionAxis,
    *,
    source: str,
    ready: bool | None,
    findings: Iterable[Mapping[str, Any]],
    criteria: Sequence[Criterion] = (),
    now_ns: int | None = None,
    to_grid: ToGrid | None = None,
    base: BaseSeen | None = None,
) -> dict[str, Any]:
    """The body of the document; what could not be told is None or NaN.

    ``criteria`` are the answers behind ``ready``; ``now_ns`` is the moment that ages are counted to (else the newest
    frame); ``to_grid`` gives the stations in the site's own grid as well; ``base`` is what the base's own observations
    say of where it is.
    """
    tally = engine.tally
    looks = sniff(tally.sample, frames=tally.frames, sentences=tally.sentences)
    gaps = tally.gaps()
    now_ns = now_ns if now_ns is not None else tally.last_ns
    return {
        "source": safe_text(source),
        "start_utc": axis.utc_iso(tally.first_ns),
        "end_utc": axis.utc_iso(tally.last_ns),
        "time_basis": axis.time_basis,
        "duration_s": tally.duration_s(),
        "bytes": tally.bytes,
        "frames": tally.frames,
        "bad_crc": tally.bad_crc,
        "other_bytes": tally.other_bytes,
        "bits_per_s": tally.bits_per_s(),
        "bytes_per_epoch": tally.bytes_per_epoch(),
        "interval_s": tally.interval_s(),
        "epochs": tally.epochs,
        "ledger": _ledger(tally),
        "messages": [_message(tally, kind, m, now_ns) for kind, m in sorted(tally.messages.items())],
        "stations": [_station(engine, axis, station, to_grid) for station in sorted(tally.stations)],
        "systems": [
            _system(tally, system, t) for system, t in sorted(tally.systems.items()) if t.signals
        ],
        "latency_s": None if not tally.latency.total else {
            "median": tally.latency.quantile(0.5), "p95": tally.latency.quantile(0.95), "max": tally.latency.largest(),
        },
        "gaps": {
            "count": len(gaps), "longest_s": max((e - s for s, e, _ in gaps), default=0) / 1e9,
            "total_s": sum(e - s for s, e, _ in gaps) / 1e9, "lost_epochs": sum(lost for _, _, lost in gaps),
        },
        "duplicates": tally.duplicates,
        "failure_offsets": tally.failures[:20],
        "texts": [{"utc": axis.utc_iso(at), "text": safe_text(text, 400)} for at, text in tally.texts],
        "leap_seconds": tally.leap_s,
        "strip": _strip(tally, axis, now_ns),
        "base_check": None if base is None else base_check(base, axis),
        "format": None if looks is None else _FORMATS.get(looks, looks),
        "rtk_ready": ready,
        "rtk_ready_criteria": [{"key": c.key, "passed": c.passed, "says": c.says} for c in criteria],
        "findings": list(findings),
    }  # fmt: skip


def _ledger(tally: LinkTally) -> dict[str, Any]:
    """The ledger: slots of the median interval that came whole, in part, not at all, and how the losses lie."""
    interval_s = tally.interval_s()
    slots = tally.ledger.slots(float("inf") if np.isnan(interval_s) else max(10_000.0, 3000 * interval_s))
    pattern = loss_pattern(slots != COMPLETE)
    return {
        "complete": int(np.count_nonzero(slots == COMPLETE)),
        "incomplete": int(np.count_nonzero(slots == INCOMPLETE)),
        "lost": int(np.count_nonzero(slots == LOST)),
        "late_frames": tally.ledger.late_frames,
        "pattern": pattern.kind,
        "pattern_test": pattern.test or None,
        "pattern_p": pattern.p_value,
        "period_s": pattern.period_slots * interval_s,
    }


def _message(tally: LinkTally, kind: int, m: MessageTally, now_ns: int | None) -> dict[str, Any]:
    duration_s = tally.duration_s()
    return {
        "type": kind,
        "name": message_name(kind),
        "count": m.count,
        "bytes": m.bytes,
        "interval_s": m.interval.quantile(0.5),
        "interval_p95_s": m.interval.quantile(0.95),
        "bits_per_s": 8 * m.bytes / duration_s if duration_s > 0 else float("nan"),
        "last_age_s": (now_ns - m.last_ns) / 1e9 if now_ns is not None else None,
    }


def _system(tally: LinkTally, system: int, t: SystemTally) -> dict[str, Any]:
    return {
        "system": SYSTEMS[system],
        "satellites": tally.satellites_of(system),
        "signals": [rinex_code(system, s) for s in sorted(t.signals)],
        "phase_signals": [rinex_code(system, s) for s in sorted(t.phases)],
        "median_cn0_dbhz": t.cn0.quantile(0.5),
        "messages": sorted(tally.content.levels.get(system, ())),
        "lock_resets": t.lock_resets,
        "half_cycle_share": t.half_cycles / t.cells if t.cells else None,
    }


def _station(engine: LinkEngine, axis: SessionAxis, station: int, to_grid: ToGrid | None) -> dict[str, Any]:
    tally = engine.tally.stations[station]
    arp = tally.arp_ecef_m
    lat, lon, height = (float("nan"),) * 3
    if arp is not None:
        lat, lon, height = (float(v[0]) for v in ecef_to_geodetic(np.array([arp])))
    easting_m, northing_m = to_grid(lat, lon) if to_grid is not None and arp is not None else (None, None)
    return {
        "id": station,
        "arp_ecef_m": list(arp) if arp is not None else None,
        "latitude_deg": lat,
        "longitude_deg": lon,
        "height_m": height,
        "easting_m": easting_m,
        "northing_m": northing_m,
        "antenna_height_m": tally.antenna_height_m,
        "antenna": None if tally.antenna is None else safe_text(tally.antenna),
        "receiver": None if tally.receiver is None else safe_text(tally.receiver),
        "computed": tally.computed,
        "physical_id": tally.physical_id,
        "physical_ecef_m": list(tally.physical_ecef_m) if tally.physical_ecef_m is not None else None,
        "frames": tally.frames,
        "first_utc": axis.utc_iso(tally.first_ns),
        "last_utc": axis.utc_iso(tally.last_ns),
        "arp_changes": max(0, len(tally.arps) - 1),
        "arp_history": [{"utc": axis.utc_iso(at), "arp_ecef_m": list(place)} for at, *place in tally.arps[:20]],
    }


def _strip(tally: LinkTally, axis: SessionAxis, now_ns: int | None) -> dict[str, Any] | None:
    """Frames, damaged frames and other bytes over time, in at most 120 equal steps."""
    if tally.first_ns is None or now_ns is None:
        return None
    cells = tally.flow.strip(STRIP_WIDTH, tally.first_ns, max(now_ns, tally.first_ns) + 1)
    if not cells:
        return None
    step_s = (max(now_ns, tally.first_ns) + 1 - tally.first_ns) / len(cells) / 1e9
    return {
        "start_utc": axis.utc_iso(tally.first_ns),
        "step_s": step_s,
        **{key: [c[key] for c in cells] for key in ("frames", "bad_crc", "other_bytes")},
    }
