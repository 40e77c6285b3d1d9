"""Ranges on request are the ranges that a decoder gives which reads them all."""

import numpy as np
import pytest

from hubtack.decode.decoder import Decoder
from hubtack.decode.tables import Decoded
from hubtack.simulate.session import simulate


@pytest.fixture(scope="module")
def stream() -> bytes:
    return b"".join(heard.data for heard in simulate([], "tidy", 3, 20, 1.0).heard)


@pytest.mark.parametrize("size", [10**6, 3_000, 700])
def test_cells_on_request_are_those_of_a_decoder_that_reads_all_ranges(stream: bytes, size: int) -> None:
    whole = Decoder(observables=True).feed(stream)
    decoder = Decoder(on_request=True)
    asked = Decoded.joined([decoder.feed(stream[at : at + size]) for at in range(0, len(stream), size)])
    assert np.isnan(asked.satellites["pseudorange_m"]).all()
    frame = whole.satellites["frame"].astype(int)
    for chosen in (np.unique(frame), np.unique(frame)[::3], np.unique(frame)[-1:]):
        got = asked.cells_of(chosen)
        assert len(got) and np.isfinite(got[:, 9]).any()
        assert np.array_equal(got, whole.satellites.values[np.isin(frame, chosen)], equal_nan=True)


def test_a_table_that_holds_ranges_already_gives_them_itself(stream: bytes) -> None:
    whole = Decoder(observables=True).feed(stream)
    chosen = np.unique(whole.satellites["frame"].astype(int))[1:3]
    mine = np.isin(whole.satellites["frame"].astype(int), chosen)
    assert np.array_equal(whole.cells_of(chosen), whole.satellites.values[mine], equal_nan=True)
