"""A correction stream as the JSON contract's ``link`` document."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from hubtack.engine.axis import SessionAxis
from hubtack.engine.link import LinkEngine
from hubtack.framing.sniff import sniff
from hubtack.geo import ecef_to_geodetic
from hubtack.knowledge.messages import SYSTEMS, message_name
from hubtack.knowledge.signals import rinex_code
from hubtack.safe import safe_text

_FORMATS: Mapping[str, str] = {"html": "text", "compressed": "unknown"}


def link_body(
    engine: LinkEngine, axis: SessionAxis, *, source: str, ready: bool | None, findings: Iterable[Mapping[str, Any]]
) -> dict[str, Any]:
    """The body of the document; what could not be told is None or NaN."""
    tally = engine.tally
    looks = sniff(tally.sample, frames=tally.frames, sentences=tally.sentences)
    gaps = tally.gaps()
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
        "epochs": tally.epochs,
        "interval_s": tally.interval_s(),
        "messages": [
            {"type": kind, "name": message_name(kind), "count": m.count, "bytes": m.bytes,
             "interval_s": m.interval.quantile(0.5)}
            for kind, m in sorted(tally.messages.items())
        ],
        "stations": [_station(engine, station) for station in sorted(tally.stations)],
        "systems": [
            {"system": SYSTEMS[system], "satellites": tally.satellites_of(system),
             "signals": [rinex_code(system, s) for s in sorted(t.signals)],
             "phase_signals": [rinex_code(system, s) for s in sorted(t.phases)],
             "median_cn0_dbhz": t.cn0.quantile(0.5)}
            for system, t in sorted(tally.systems.items()) if t.signals
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
        "format": None if looks is None else _FORMATS.get(looks, looks),
        "rtk_ready": ready,
        "findings": list(findings),
    }  # fmt: skip


def _station(engine: LinkEngine, station: int) -> dict[str, Any]:
    tally = engine.tally.stations[station]
    arp = tally.arp_ecef_m
    lat, lon, height = (float("nan"),) * 3
    if arp is not None:
        lat, lon, height = (float(v[0]) for v in ecef_to_geodetic(np.array([arp])))
    return {
        "id": station,
        "arp_ecef_m": list(arp) if arp is not None else None,
        "latitude_deg": lat,
        "longitude_deg": lon,
        "height_m": height,
        "antenna_height_m": tally.antenna_height_m,
        "antenna": None if tally.antenna is None else safe_text(tally.antenna),
        "receiver": None if tally.receiver is None else safe_text(tally.receiver),
        "computed": tally.computed,
        "frames": tally.frames,
        "arp_changes": max(0, len(tally.arps) - 1),
    }
