"""``link AT_ROVER --against AT_BASE``: two recordings of one stream, frame by frame, to tell base from air."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from hubtack.capture.reading import is_capture, iter_capture, read_description
from hubtack.decode.decoder import Decoder
from hubtack.diagnosis.against import judge_against
from hubtack.engine.link_compare import Recording, compare
from hubtack.errors import LogFormatError, UsageError
from hubtack.readers.chunk import Chunk
from hubtack.readers.files import iter_log
from hubtack.readers.urls import SourceSpec, parse_source
from hubtack.safe import safe_text
from hubtack.session.arrivals import ArrivalLog


def compared(at_rover: SourceSpec, at_base_text: str) -> dict[str, Any]:
    """What became of each frame of the base, in figures, with ``fault`` and ``says``.

    Raises
    ------
    UsageError
        If one of the two is no recording.
    LogFormatError
        If one holds no frame, or they have none in common.
    """
    at_base = parse_source(at_base_text)
    for spec, which in ((at_rover, "AT_ROVER"), (at_base, "--against")):
        if spec.kind != "file":
            raise UsageError(f"{spec.label}: {which} must be a recording (a file, or a folder of hubtack record)")
    rover, base = _read(at_rover.path), _read(at_base.path)
    found = compare(base, rover)
    if found is None:
        raise LogFormatError(
            f"{safe_text(at_rover.path)} and {safe_text(at_base.path)}: not one frame in common; are they of the same "
            "stream and the same time?"
        )
    result = judge_against(found)
    return {"source": safe_text(at_base.label), "fault": result.fault, "says": result.says, **result.figures}


def _read(path: str) -> Recording:
    """All frames of a recording, with arrivals where it has them."""
    recording, decoder, arrivals = Recording(), Decoder(), ArrivalLog()
    for data, t_utc_ns in _chunks(Path(path)):
        arrivals.add(len(data), arrivals.total, t_utc_ns, None)
        decoded = decoder.feed(data)
        recording.add(decoded, arrivals.utc_ns(decoded.frames.end - 1) if t_utc_ns is not None else None)
        arrivals.forget_before(int(decoded.frames.end[-1]) if len(decoded.frames) else 0)
    decoded = decoder.flush()
    recording.add(decoded, np.full(len(decoded.frames), -1, dtype=np.int64))
    if not recording.marks:
        raise LogFormatError(f"{safe_text(path)}: byte 0: no whole RTCM 3 frame in it; expected a recorded stream")
    return recording


def _chunks(path: Path) -> Iterator[tuple[bytes, int | None]]:
    if not is_capture(path):
        for data in iter_log(path):
            yield data, None
        return
    labels = read_description(path).labels
    role = "corrections" if "corrections" in labels else "rover"
    for event in iter_capture(path):
        if isinstance(event, Chunk) and event.source == role:
            yield event.data, event.t_utc_ns
