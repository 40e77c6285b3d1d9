"""Ephemeris fields against pyrtcm (BSD-3-Clause), field by field, on made payloads and on real frames where given."""


import numpy as np
import pytest
from tests.orbits.orbit_helpers import encode, real_stream

from hubtack.orbits.layouts import LAYOUTS

pyrtcm = pytest.importorskip("pyrtcm")
from pyrtcm import RTCMReader  # noqa: E402
from pyrtcm.rtcmhelpers import calc_crc24q  # noqa: E402
from pyrtcm.rtcmtypes_core import RTCM_DATA_FIELDS  # noqa: E402
from pyrtcm.rtcmtypes_get import RTCM_PAYLOADS_GET  # noqa: E402

# Where our scale has more than pyrtcm's: semicircles to radians, kilometres to metres, scales pyrtcm leaves at 0 or 1.
UNSCALED = {"tb_s", "gamma", "tau_s", "delta_tau_s", "tau_c_s", "tau_gps_s"}


def _frame(payload: bytes) -> bytes:
    head = b"\xd3" + len(payload).to_bytes(2, "big") + payload
    return head + calc_crc24q(head).to_bytes(3, "big")


def _compare(payload: bytes) -> None:
    from hubtack.orbits.ephemeris import read_fields

    parsed = RTCMReader.parse(_frame(payload))
    ours = read_fields(payload)
    for field, key in zip(LAYOUTS[parsed.DF002 if isinstance(parsed.DF002, int) else int(parsed.identity)],
                          RTCM_PAYLOADS_GET[parsed.identity], strict=True):
        theirs, scale = getattr(parsed, key), RTCM_DATA_FIELDS[key][2] or 1.0
        raw = theirs / scale if not isinstance(theirs, str) else float(theirs)
        assert ours[field.name] / field.scale == pytest.approx(raw, abs=1e-3), (parsed.identity, field.name, key)
        if field.name not in UNSCALED and RTCM_DATA_FIELDS[key][2]:
            ratio = field.scale / scale
            assert any(ratio == pytest.approx(r, rel=1e-12) for r in (1.0, np.pi, 1e3, 1e-9)), (field.name, ratio)


@pytest.mark.parametrize("message", sorted(LAYOUTS))
def test_fields_agree_with_pyrtcm_on_random_payloads(message):
    rng = np.random.default_rng(message)
    for _ in range(20):
        values = {}
        for field in LAYOUTS[message]:
            half = 1 << field.bits - 1
            low, high = (0, 2 * half) if field.kind == "u" else (-half + 1, half)
            values[field.name] = int(rng.integers(low, high)) * field.scale
        _compare(encode(message, values))


@pytest.mark.parametrize("name", ["station_all_messages.rtcm3", "rtcm_network_msm4_02.rtcm3"])
def test_fields_agree_with_pyrtcm_on_a_recorded_stream(name):
    path = real_stream(name)
    if path is None:
        pytest.skip("no folder of recorded streams in HUBTACK_STREAMS")
    from tests.orbits.real_frames import payloads_of

    found = [p for p in payloads_of(path) if (p[0] << 4 | p[1] >> 4) in LAYOUTS]
    assert len(found) >= 5
    for payload in found:
        _compare(payload)
