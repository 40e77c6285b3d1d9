"""Radio knowledge: constants of the path models, sensitivities, gains and losses, margins, the set-up check list."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

LIGHT_M_S = 299_792_458.0
BOLTZMANN_J_K = 1.380649e-23  # SI, exact
NOISE_FIGURE_DB = 7.0  # of a site radio's receiver, 5 to 8 (common practice, no source)
EARTH_RADIUS_M = 6_371_000.0
K_FACTOR = 4.0 / 3.0  # effective earth radius factor, ITU-R P.310 and P.834 (from memory)
BANDS_MHZ = ((30.0, 1000.0), "site radios work at 400 to 470 and 902 to 928 MHz")

# Shadowing by location, ITU-R P.1546 (from memory): sigma = K + 1.3 log10(f/MHz) dB.
SHADOWING_K: Mapping[str, float] = {"rural": 0.5, "urban": 1.2}


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """What a receiver needs at an over-the-air rate, a poor one; good ones hear 5 to 6 dB less. [bit/s, dBm]"""

    rate_bps: float
    channel: str
    poor_dbm: float


# Common practice, no source; the data sheet wins.
SENSITIVITY: tuple[Sensitivity, ...] = (
    Sensitivity(4800.0, "12.5 kHz, 2-level", -112.0),
    Sensitivity(9600.0, "25 kHz, 2-level", -110.0),
    Sensitivity(9600.0, "12.5 kHz, 4-level", -105.0),
    Sensitivity(19200.0, "25 kHz, 4-level", -103.0),
    Sensitivity(115200.0, "902-928 MHz, hopping", -104.0),
)
FADE_MARGIN_DB: Mapping[str, float] = {
    "fixed, line of sight": 10.0,
    "moving machine": 20.0,
    "clutter or deep cut": 30.0,
}
MARGIN_WANTED_DB = FADE_MARGIN_DB["moving machine"]
CLEARANCE_SHARE = 0.6  # of the first Fresnel zone counts as free (ITU-R P.530 practice, from memory)
TURNAROUND_S = 0.05  # common practice, no source
LEAST_RISE_M = 0.5  # terrain below this is the plain (common practice, no source)
ONE_HILL_SHARE = 0.1  # tops nearer than this part of the path are one hill (common practice, no source)
SHARE_MOST = 0.8  # of the epoch interval that transmissions may take (common practice, no source)

MAST_HANDY_M = 10.0  # a mast that two people put up in a morning (common practice, no source)
MAST_MOST_M = 40.0  # no site puts up a higher one (common practice, no source)

# Losses and what they mean (common practice, no source).
LITTLE_LOST_SHARE = 0.01  # below this it is ordinary untidiness
MUCH_LOST_SHARE = 0.05  # from here on the rover's age of corrections runs over 5 s now and again
MUCH_DAMAGED_SHARE = 0.02  # of the frames that came: a weak signal, or two transmitters at once
LONG_SILENCE_S = 10.0  # the age at which a machine is down to rough work
DESCRIPTORS_WITHIN_S = 120.0  # by then base position, antenna name and biases must have come once

SERIAL_BPS: tuple[int, ...] = (4800, 9600, 19_200, 38_400, 57_600, 115_200)  # usual speeds of a serial cable
SERIAL_ENOUGH_BPS = 38_400  # carries every usual stream
FASTER_BPS: tuple[float, ...] = (9600.0, 19200.0, 38400.0)  # usual over-the-air rates to go up to

# What a stream must hold besides observations: name, RTCM 10403.3 messages any of which serves, how to call them, and
# the constellation that needs it (empty: all do).
WANTED_MESSAGES: tuple[tuple[str, frozenset[int], str, str], ...] = (
    ("base position", frozenset({1005, 1006}), "1005 or 1006", ""),
    ("antenna name", frozenset({1007, 1008, 1033}), "1033", ""),
    ("GLONASS biases", frozenset({1230}), "1230", "GLONASS"),
)

# What helps against lost correction epochs (common practice, no source).
CURES: Mapping[str, str] = {
    "height": "raise the antenna at the base, or move base or repeater to where they see over what stands in the way",
    "power": "more signal: better antennas and shorter cables first, then power as far as the licence goes, or a repeater",
    "channel": "listen on the channel with the base switched off; then change channel or slot, within the licence",
    "equipment": "antennas for the band and upright, cables, connectors, supply under load; noise of engine and lights at the machine",
    "none": "nothing to cure",
}

CAUTIONS: tuple[str, ...] = (
    "Bands at 400 to 470 MHz are licensed nearly everywhere; power, antenna and duty limits apply in every band. Keep to "
    "your licence and local rules, and change channel only to one that is in the licence.",
    "Raise masts well clear of power lines and take them down in lightning; follow local codes and licensed practice.",
    "Keep people away from a transmitting antenna and never key a radio without one; heed its maker's distance and duty cycle.",
)

CHECKLIST: tuple[tuple[str, str], ...] = (
    ("receive lamp", "does the lamp of the radio at the machine blink once a second?"),
    ("base transmitting", "does the transmit lamp at the base blink once a second?"),
    ("power supply", "battery or mains well under load, while transmitting? Cables short and thick?"),
    ("channel and frequency", "the same channel and frequency at both ends, as in the licence?"),
    ("channel spacing", "12.5 or 25 kHz at both ends?"),
    ("over-the-air rate", "the same at both ends, and enough for the load (hubtack radio load)?"),
    ("protocol", "the same over-the-air protocol at both ends?"),
    ("error correction", "forward error correction on, or off, at both ends?"),
    ("internal or external radio", "is the radio that is meant switched on, and the other one off?"),
    ("serial speed", "the same between receiver and radio, at both ends?"),
    ("station ID", "the one on the site's sheet?"),
    ("antennas", "for this band, upright, connectors dry and tight, away from cab and boom?"),
    ("mast and line of sight", "can you see from antenna to antenna? A bank or a spoil heap in the way?"),
    ("message set", "base position, observations of all constellations in use, antenna name, GLONASS biases?"),
)
