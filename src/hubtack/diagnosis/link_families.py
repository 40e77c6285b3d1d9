"""All episodes of the correction link. Each family is one ordered table of questions; the first that fits wins.

Bytes: is this a stream of corrections at all? Loss: what is missing, and in what pattern? Base: whose is it, and where?
Content: could a rover fix on it? Clocks: whose time is wrong?
"""

from __future__ import annotations

from hubtack.diagnosis.base_families import leap_episode, with_own_evidence
from hubtack.diagnosis.episode import Episode
from hubtack.diagnosis.link_base import base_family
from hubtack.diagnosis.link_bytes import bytes_family
from hubtack.diagnosis.link_clocks import clock_family
from hubtack.diagnosis.link_loss import loss_family
from hubtack.diagnosis.link_observations import content_family
from hubtack.diagnosis.link_view import LinkView
from hubtack.diagnosis.ready import rtk_ready

_NO_STREAM = ("no_bytes", "wrong_protocol", "serial_garbage")


def link_episodes(view: LinkView) -> list[Episode]:
    """All episodes of the link as seen at the view's moment."""
    stream = bytes_family(view)
    if any(e.code in _NO_STREAM for e in stream):
        return stream
    clocks = clock_family(view)
    # What the base's clock is behind by is not lateness.
    behind_s = sum(-e.evidence["offset_s"] for e in clocks if e.code == "base_clock" and e.evidence["offset_s"] < 0)
    return [
        *stream,
        *loss_family(view, behind_s),
        *with_own_evidence(view, base_family(view)),
        *content_family(view),
        *clocks,
        *([] if any(e.code == "base_clock" for e in clocks) else leap_episode(view)),
    ]


__all__ = ["LinkView", "link_episodes", "rtk_ready"]
