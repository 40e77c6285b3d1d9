"""All episodes of the correction link. Each family is one ordered table of questions; the first that fits wins.

Bytes: is this a stream of corrections at all? Loss: what is missing, and in what pattern? Base: whose is it, and where?
Content: could a rover fix on it? Clocks: whose time is wrong?
"""

from __future__ import annotations

from collections.abc import Sequence

from hubtack.diagnosis.base_families import leap_episode, with_own_evidence
from hubtack.diagnosis.episode import Episode
from hubtack.diagnosis.link_base import base_family
from hubtack.diagnosis.link_bytes import bytes_family
from hubtack.diagnosis.link_clocks import clock_family
from hubtack.diagnosis.link_loss import loss_family
from hubtack.diagnosis.link_observations import content_family
from hubtack.diagnosis.link_view import S_NS, LinkView
from hubtack.diagnosis.ready import rtk_ready

_SAME_LENGTH_S = 3.0  # a step and the silence that it makes agree within the epochs at both ends
_NO_STREAM = ("no_bytes", "wrong_protocol", "serial_garbage")


def link_episodes(view: LinkView, of_rover: Sequence[Episode] = ()) -> list[Episode]:
    """All episodes of the link as seen at the view's moment; ``of_rover`` are those of the rover's side."""
    stream = bytes_family(view)
    if any(e.code in _NO_STREAM for e in stream):
        return stream
    clocks = clock_family(view)
    # What the base's clock is behind by is not lateness.
    behind_s = sum(-e.evidence["offset_s"] for e in clocks if e.code == "base_clock" and e.evidence["offset_s"] < 0)
    steps_s = [e.evidence["step_s"] for e in (*of_rover, *clocks) if "step_s" in e.evidence]
    return [
        *stream,
        *(e for e in loss_family(view, behind_s) if not _made_by_a_step(view, e, steps_s)),
        *with_own_evidence(view, base_family(view)),
        *content_family(view),
        *clocks,
        *([] if any(e.code == "base_clock" for e in clocks) else leap_episode(view)),
    ]


def _made_by_a_step(view: LinkView, episode: Episode, steps_s: Sequence[float]) -> bool:
    """Whether a silence before the first or after the last epoch is only what the rover's clock is off by."""
    if episode.code != "link_stalled" or not (episode.end_ns is None or episode.start_ns == view.rover.first_ns):
        return False
    length_s = ((view.now_ns if episode.end_ns is None else episode.end_ns) - episode.start_ns) / S_NS
    return any(abs(length_s - abs(step_s)) < _SAME_LENGTH_S for step_s in steps_s)


__all__ = ["LinkView", "link_episodes", "rtk_ready"]
