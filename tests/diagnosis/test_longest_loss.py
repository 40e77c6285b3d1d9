"""The longest of many losses is no stall; a stop far longer than the losses around it is one."""

from __future__ import annotations

from tests.link_session import found, read
from tests.link_stream import Base, sent, stream, without_epochs


def codes_of(lengths: list[int], every: int = 25) -> dict[str, object]:
    """Findings of a stream that loses so many epochs in a row, one after the other."""
    lost = {30 + every * i + k for i, n in enumerate(lengths) for k in range(n)}
    frames = sent(Base(), 60 + every * len(lengths))
    return dict(found(read(stream(without_epochs(frames, lambda i, t: i in lost)))))


def test_a_stop_just_above_the_limit_among_many_nearly_as_long_is_one_of_them() -> None:
    codes = codes_of([4, 7, 3, 12, 6, 8, 5, 2])
    assert "link_stalled" not in codes
    assert codes["burst_loss"].evidence["longest_loss_s"] == 13.0 and codes["burst_loss"].evidence["stops"] == 1  # type: ignore[attr-defined]


def test_a_stop_far_longer_than_the_others_or_with_few_others_is_a_stall() -> None:
    assert next(iter(codes_of([1, 1, 2, 12, 1, 2, 1, 1, 2, 1]))) == "link_stalled"
    assert next(iter(codes_of([6, 12, 7, 13, 6]))) == "link_stalled"
    assert next(iter(codes_of([4, 7, 3, 22, 6, 8, 5, 2], every=35))) == "link_stalled"
