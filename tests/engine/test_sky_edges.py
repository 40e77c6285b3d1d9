"""The rover's sky at its edges: a clock that jumps, bounded memory, satellites without a direction, systems half named."""

from __future__ import annotations

import numpy as np
import pytest
from tests.rover_text import gga, sentence

from hubtack.decode.decoder import Decoder
from hubtack.engine import link_content, rover_sky, sky_geometry, sky_sectors
from hubtack.engine.axis import SessionAxis
from hubtack.engine.link_content import N_SATELLITES, SkySets
from hubtack.engine.rover_sky import RoverSky

HOUR_MS = 3_600_000
GPS, GLONASS, GALILEO = 1, 2, 3  # systems by their NMEA system ID, as the codes have them


def sky_of(lines: list[bytes], *, at_once: bool = True) -> RoverSky:
    sky, decoder, axis = RoverSky(), Decoder(), SessionAxis()
    for data in [b"".join(lines)] if at_once else lines:
        sky.add(decoder.feed(data).sentences, axis)
    sky.add(decoder.flush().sentences, axis)
    return sky


def gsv(*satellites: tuple[int, str, str, str], talker: str = "GP") -> bytes:
    """One GSV sentence of (number, elevation, azimuth, strength), each as it is to be written."""
    cells = "".join(f",{number:02d},{up},{round_},{cn0}" for number, up, round_, cn0 in satellites)
    return sentence(f"{talker}GSV,1,1,{len(satellites):02d}{cells}")


def gsa(*numbers: int, talker: str = "GN", system: str | None = None) -> bytes:
    """One GSA sentence; ``system`` is the system ID of NMEA 0183 4.11, which older receivers leave out."""
    cells = ",".join(f"{n:02d}" for n in numbers) + "," * (12 - len(numbers))
    return sentence(f"{talker}GSA,A,3,{cells},1.4,0.7,1.2" + ("" if system is None else f",{system}"))


HIGH = (5, "60", "010", "47")


def test_a_log_with_gaps_of_hours_has_the_same_sky_in_one_piece_and_line_by_line() -> None:
    """Eight looks at the sky, eleven hours apart: too wide for tables by time."""
    lines = [line for i in range(8) for line in (gga(i * 11 * HOUR_MS), gsv(HIGH, (7, "20", "100", "38")), gsa(5, 7))]
    # The spans that make it wide, so that the test says when it no longer is.
    span_ns = 7 * 11 * HOUR_MS * 1_000_000
    assert span_ns > max(
        rover_sky._WIDE_SPAN * link_content.SKY_BIN_NS,
        link_content._WIDE_SPAN * link_content.SKY_BIN_NS,
        sky_sectors.MOST_BINS * sky_sectors.BIN_NS,
    )
    whole, pieces = sky_of(lines), sky_of(lines, at_once=False)
    assert whole.tracked.bins == pieces.tracked.bins and len(whole.tracked.bins) == 8
    assert all(heard == {GPS: 1 << 5 | 1 << 7} for heard in whole.tracked.bins.values())
    assert whole.used.bins == pieces.used.bins == whole.tracked.bins
    for sky in (whole, pieces):
        start_ns, tracked, strength = sky.sectors.table()
        assert np.diff(start_ns).tolist() == [11 * HOUR_MS * 1_000_000] * 7
        assert tracked.tolist() == [[1, 0, 1, 0, 0, 0, 0, 0]] * 8
        assert strength.tolist() == [47.0] * 8


def test_a_sky_of_more_than_its_memory_lets_the_oldest_go(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sky_sectors, "MOST_BINS", 3)
    monkeypatch.setattr(sky_geometry, "MOST_MINUTES", 2)
    sky = sky_of([line for i in range(5) for line in (gga(i * 60_000), gsv(HIGH))], at_once=False)
    assert sky.sectors.table()[0].tolist() == [i * 60_000_000_000 for i in (2, 3, 4)]
    assert sorted(sky.geometry.minutes) == [3, 4]
    assert sky.sectors.newest() == (1, 0, 0, 0, 0, 0, 0, 0)


def test_satellites_without_a_direction_and_skies_without_satellites_give_no_geometry_and_no_sector() -> None:
    blind = sky_of([gga(0), gsv((5, "", "", "47"), (7, "30", "", "")), gga(60_000), sentence("GPGSV,1,1,00")])
    assert blind.geometry.minutes == {} and np.isnan(blind.geometry.newest_pdop(blind.used))
    assert blind.tracked.bins == {0: {GPS: 1 << 5}}
    _, tracked, strength = blind.sectors.table()
    assert tracked.sum() == 0 and np.isnan(strength).all()
    assert RoverSky().sectors.newest() == ()


def test_what_comes_before_the_first_time_of_all_belongs_to_nothing() -> None:
    assert sky_of([gsv(HIGH), gsa(5)]).tracked.bins == {}
    late = sky_of([gsv(HIGH), gga(0), gsv((7, "20", "100", "38"))])
    assert late.tracked.bins == {0: {GPS: 1 << 7}}
    nothing_after = sky_of([gsv(HIGH), gga(0)])
    assert nothing_after.tracked.bins == {} and nothing_after.sectors.bins == {}


@pytest.mark.parametrize("at_once", [True, False])
def test_a_satellite_is_of_the_system_that_is_said_or_else_of_the_talkers(at_once: bool) -> None:
    lines = [gga(0), gsa(5, system="1"), gsa(66, talker="GL"), gsa(8, talker="GA"), gsa(65, system="2")]
    assert sky_of(lines, at_once=at_once).used.bins == {
        0: {GPS: 1 << 5, GLONASS: 1 << 66 - 64 | 1 << 65 - 64, GALILEO: 1 << 8}
    }


def test_numbers_that_no_system_has_are_no_satellites() -> None:
    sets = SkySets()
    sets.add(np.zeros(3, np.int64), np.full(3, GPS), np.array([0, 7, N_SATELLITES]))
    sets.add(np.zeros(1, np.int64), np.full(1, GPS), np.array([N_SATELLITES]))
    none = np.zeros(1, dtype=np.uint64)  # a message whose satellites have numbers that no system has
    sets.add_masks(np.zeros(1, np.int64), np.full(1, GLONASS), none)
    assert sets.bins == {0: {GPS: 1 << 7}}
    nought = sky_of([gga(0), gsv((0, "60", "010", "47"))])
    assert nought.tracked.bins == {} == nought.geometry.minutes


def test_the_newest_geometry_is_that_of_the_table_and_is_worked_out_anew_when_more_comes() -> None:
    high, low = (
        [(5, "60", "000", "47"), (7, "75", "090", "47"), (9, "60", "180", "47"), (13, "85", "270", "47")],
        (15, "10", "045", "40"),
    )
    lines = [gga(0), gsv(*high), gga(60_000), gsv(*high), gsv(low)]
    seen: list[float] = []
    sky, decoder, axis = RoverSky(), Decoder(), SessionAxis()
    for line in lines:
        sky.add(decoder.feed(line).sentences, axis)
        seen.append(sky.geometry.newest_pdop(sky.used))
        table = sky.geometry.table(sky.used)[1]
        assert sky.geometry.newest_pdop(sky.used) == pytest.approx(table[-1] if len(table) else np.nan, nan_ok=True)
    assert np.isnan(seen[0]) and seen[1] == seen[2] == seen[3] > 1.5 * seen[4]  # a low satellite opens the pyramid
