"""Every finding Hubtack can make: what it means, how heavy it is at least, and what to do next, likeliest first.

``needs`` says what must be there before a finding can be told at all; without it the finding is "not covered", which is
not the same as absent. ``summary`` is a format over the evidence; a figure that is missing reads "?". Where no source is
named, limits and next steps are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Severity = Literal["stop", "warn", "note"]


@dataclass(frozen=True, slots=True)
class FindingRule:
    """One row of the table."""

    code: str
    family: str
    floor: Severity
    summary: str
    next_steps: tuple[str, ...]
    needs: tuple[str, ...] = ()
    source: str = "common practice, no source"


def _r(
    code: str, family: str, floor: Severity, summary: str, *next_steps: str, needs: str = "", source: str = ""
) -> FindingRule:
    return FindingRule(
        code, family, floor, summary, next_steps, tuple(needs.split()), source or "common practice, no source"
    )


_LAMP = "does the receive lamp of the radio blink once a second? yes: cable, serial speed, wiring between radio and receiver"
_LAMP_NO = (
    "no: is the base transmitting; antenna, frequency, channel spacing, air rate, protocol, error correction; range"
)
_CHECK = "check on a control mark before digging to grade"

FINDINGS: tuple[FindingRule, ...] = (
    # Bytes and caster -------------------------------------------------------------------------------------------------
    _r("caster_unreachable", "bytes", "stop", "{why}",
       "check host name and port", "check the data contract, the SIM card and the antenna of the modem",
       "a firewall may block port 2101: try 443 or 80 if the operator offers them", needs="caster"),
    _r("caster_tls", "bytes", "stop", "{why}",
       "check this computer's date and time", "ask the operator for the right host name and port",
       "do not switch the check off: a login may be read on the way", needs="caster"),
    _r("caster_auth", "bytes", "stop", "{why}",
       "check user and password, letter by letter", "is the subscription running, and does it cover this mount point?",
       "the source table needs no login: if it loads, the link is good", needs="caster"),
    _r("caster_mount", "bytes", "stop", "{why}",
       "compare with hubtack mounts, letter by letter: upper and lower case count", "the base may have stopped sending: try another mount point",
       needs="caster"),
    _r("caster_needs_position", "bytes", "stop", "the caster waits for a position before it sends anything",
       "send the rover's GGA: corrections.send_position = \"always\"", "or give --near LAT,LON", needs="caster"),
    _r("caster_throttled", "bytes", "stop", "{why}",
       "wait: bans last from minutes to a day", "ask the operator; do not try faster", needs="caster"),
    _r("caster_dropped", "bytes", "warn", "the connection to the caster was lost (times: {count}): {why}",
       "is a second machine using the same login? The caster then drops them in turn", "check the mobile signal where the machine stands",
       "some networks close every connection once a day", needs="caster"),
    _r("no_bytes", "bytes", "stop", "the correction source is open and nothing arrives",
       _LAMP, _LAMP_NO, "on a network source: send a position, check the mount point", needs="corrections"),
    _r("serial_garbage", "bytes", "stop", "bytes arrive and make no sense ({bytes} of them, no frame): {why}",
       "set the serial speed of the port to that of the radio or modem: hubtack ports --speeds tries them",
       "check data bits and parity (8, none, 1)", "check ground, cable and connectors; is the base on at all?",
       needs="corrections"),
    _r("wrong_protocol", "bytes", "stop", "{bytes} bytes arrive that are not RTCM 3: they look like {looks_like}",
       "set the base to RTCM 3 with MSM messages, or choose such a mount point", "check that this port carries corrections and nothing else",
       needs="corrections"),
    _r("corrupt_frames", "bytes", "warn", "{bad_crc} of {seen} frames arrive damaged ({share_percent} %)",
       "radio: weak signal or another transmitter on the channel; raise the antenna, check the connectors, change the channel",
       "serial: a speed slightly off, or a line without ground", "record at the base too: hubtack link AT_ROVER --against AT_BASE",
       needs="corrections"),
    # Loss and timing --------------------------------------------------------------------------------------------------
    _r("link_stalled", "loss", "warn", "corrections stopped, for {longest_s} s at the longest (stops: {count})",
       "is the base still running? Its power, its antenna; the receive lamp at the machine",
       "radio: path blocked or out of range; network: mobile signal, caster", "if several machines lost it at once, it is the base or the channel",
       "record at both ends: hubtack link AT_ROVER --against AT_BASE", needs="corrections"),
    _r("link_saturated", "loss", "warn", "the stream asks for more than the link carries: {load_bits_per_s} bit/s into {link_bits_per_s} bit/s, "
       "and corrections get older by the minute", "what would fit: {fits}", "send MSM4 instead of MSM7, fewer constellations, or an epoch every 2 s",
       "raise the over-the-air rate or the serial speed, at both ends", "hubtack radio load shows what fits", needs="corrections"),
    _r("late_corrections", "loss", "warn", "corrections are complete and late: {median_s} s in the middle, by {basis}",
       "a repeater may cost 2.5 s; more is a queue: radio buffer, modem or caster", "does a second program share the link, or the modem's data plan slow it down?",
       "set the base's radio to send each epoch at once", needs="corrections"),
    _r("periodic_loss", "loss", "note", "losses repeat every {period_s} s ({lost} of {slots} epochs, {test})",
       "another transmitter or a repeater takes its turn on the channel: change channel or slot",
       "messages that come at that period may not fit beside the rest: hubtack radio load", "a modem that registers anew", needs="corrections"),
    _r("burst_loss", "loss", "note", "{lost} of {slots} epochs are missing, {how} ({bursts} times, {longest_loss_s} s at the longest; {test}); {where}",
       "something passes or stands in the way: bank, spoil heap, machine; raise the antenna", "at the edge of the range: raise the mast, add a repeater",
       "radio masts: keep clear of power lines, and follow the licence", "record at both ends: hubtack link AT_ROVER --against AT_BASE", needs="corrections"),
    # Base identity ----------------------------------------------------------------------------------------------------
    _r("two_bases", "base", "stop", "more than one base on the stream: station IDs {ids}, {mode}",
       "find the second transmitter on the channel, or change the channel", "was the base restarted with another ID or swapped? Set it back", _CHECK,
       needs="corrections"),
    _r("wrong_base", "base", "stop", "this is not the site's base: {why}",
       "compare station ID and coordinates with the site's sheet", "choose the right channel or mount point", _CHECK, needs="site.base"),
    _r("base_moved", "base", "stop", "the base's broadcast position changed by {moved_m} m {how}",
       "ask who set the base up anew, and over which mark", "compare its coordinates with the site's sheet", _CHECK, needs="corrections"),
    _r("base_misplaced", "base", "stop", "the base's position is {off_m} m from where it should be, {where}, by {basis}{likely}",
       "check the coordinates typed into the base: digits, sign, height, antenna height", "was it started on its own autonomous position?",
       "is the site's sheet in the same datum and epoch as the stream?", _CHECK, needs="corrections"),
    _r("base_disturbed", "base", "stop", "the base's antenna moved by {moved_m} m ({direction}) while its broadcast position stayed",
       "look at the tripod or mast: knocked, sunk or loose", "set it over its mark again", _CHECK, needs="corrections"),
    _r("no_base_position", "base", "stop", "no base position (1005 or 1006) {when}",
       "switch on 1005 or 1006 in the base, every 10 s", "on a network: choose another mount point", needs="corrections",
       source="RTCM 10403.3: a rover cannot use observations without the ARP"),
    _r("station_mismatch", "base", "note", "the rover names base {rover_id}, the stream is of base {stream_id}",
       "does the receiver use another radio or mount point than the one that is read?", needs="rover corrections"),
    _r("long_baseline", "base", "warn", "the base is {baseline_max_m} m away",
       "use a nearer base or mount point", "check heights on control: 1 mm more for each kilometre", needs="rover"),
    _r("antenna_unknown", "base", "note", "the base does not say which antenna it has: 5 to 10 cm of height may be missing",
       "switch on 1033 or 1008 in the base, with the antenna's name", "compare heights on a control mark", needs="corrections",
       source="RTCM 10403.3, 1007/1008/1033; size of the effect: common practice, no source"),
    # Stream content ---------------------------------------------------------------------------------------------------
    _r("no_phase", "content", "stop", "no carrier-phase observations ({what}): no rover can fix on this",
       "set the base to MSM4 or MSM7 (or 1004 and 1012)", "choose a mount point for RTK, not for code differential or state-space corrections",
       needs="corrections", source="RTCM 10403.3: MSM1 and code-only messages carry no phase"),
    _r("few_common_satellites", "content", "warn", "only {common} satellites are seen by base and rover together",
       "does the base send all constellations the rover uses?", "clear sky at the base", needs="rover corrections",
       source="5 common satellites at least, 7 advised (trade article series on the NGS best methods)"),
    _r("no_glonass_bias", "content", "note", "GLONASS observations without code-phase bias (1230) or receiver name (1033)",
       "switch on 1230 in the base", "or switch GLONASS off in the rover", needs="corrections",
       source="RTCM 10403.3, 1230"),
    _r("missing_system", "content", "note", "the rover uses {systems}, which the stream does not carry",
       "switch it on in the base, or choose a mount point that has it", needs="rover corrections"),
    _r("base_obstructed", "content", "warn", "the base sees poorly: {satellites} satellites, {cn0_dbhz} dB-Hz ({why})",
       "clear sky around the base's antenna: parked machines, walls, trees", "check its cable and connectors for water", "is its elevation mask set too high?",
       needs="corrections"),
    _r("base_clock", "content", "warn", "the stream's time is off by {offset_s} s, by {basis}: {likely}",
       "restart the base with clear sky, so that it learns the leap seconds", "update the base's firmware", "tell the network's operator", needs="corrections"),
    # Rover's sky and fix ----------------------------------------------------------------------------------------------
    _r("no_rover", "rover", "stop", "the rover says nothing ({longest_s} s at the longest)",
       "power and cable of the receiver", "serial speed of the port", "which sentences does the receiver send? GGA is needed", needs="rover"),
    _r("rover_fields", "rover", "note", "missing from the rover's output: {field}",
       "switch it on in the receiver's output: GGA and GST at the epoch rate, with all decimals", needs="rover"),
    _r("signal_drop", "sky", "warn", "signals fell on all satellites at once, by {drop_db} dB",
       "interference: a transmitter nearby; switch things off one by one", "slowly or after rain: water in the antenna's cable or connector", needs="rover"),
    _r("sky_blocked", "sky", "warn", "part of the sky is blocked: {sector}",
       "turn or move the machine clear of bank, spoil heap, trees or walls",
       "swing the house: what turns along is the machine's own boom or cab, what stays is the bank", "wait for better satellites", needs="rover"),
    _r("few_satellites", "sky", "warn", "down to {satellites_min} satellites",
       "move away from what blocks the sky, or wait", "switch on all constellations in the receiver", needs="rover",
       source="NGS User Guidelines for Single Base Real Time GNSS Positioning (table from memory)"),
    _r("poor_geometry", "sky", "warn", "satellites stand badly: PDOP up to {pdop_max}",
       "move away from what blocks the sky, or wait", needs="rover",
       source="NGS User Guidelines for Single Base Real Time GNSS Positioning (table from memory)"),
    _r("not_using_corrections", "fix", "warn", "corrections are healthy and the rover does not use them",
       "is the receiver's correction input set to this port and to RTCM 3?", "does its licence cover RTK?", needs="rover corrections"),
    _r("stuck_float", "fix", "warn", "corrections are healthy and the rover stays float; likeliest: {likeliest}",
       "common satellites and constellations: run hubtack link", "restart the receiver's solution with clear sky", needs="rover corrections"),
    _r("suspect_fix", "fix", "stop", "the fixed position contradicts itself: {why}",
       "have the receiver fix anew", _CHECK, needs="rover"),
    _r("frozen_position", "fix", "stop", "the position repeats to the last digit while time goes on",
       "restart the receiver; a frozen screen may show an old position", needs="rover"),
    _r("clock_mismatch", "fix", "note", "rover time, stream time and arrival disagree: {why}",
       "just after power-up this is normal; else look for a queue between receiver and computer", needs="rover"),
    _r("computer_clock", "clock", "note", "this computer's clock is off by {offset_s} s",
       "set the clock; latency is shown relative to its minimum until then", needs="arrival"),
    # Heading ----------------------------------------------------------------------------------------------------------
    _r("heading_lost", "heading", "warn", "no heading from the antenna pair ({longest_s} s at the longest)",
       "clear sky over both antennas", "cable of the second antenna", "is the heading output (HDT or THS) switched on?", needs="rover"),
    _r("heading_separation", "heading", "warn", "the antennas are {separation_m} m apart by their positions, {installed_m} m as installed",
       "check both mounts", "is the separation in the site file right?", needs="second_antenna"),
    _r("heading_flipped", "heading", "stop", "the heading is {offset_deg} degrees from the machine's direction",
       "are the two antennas' cables swapped?", "check the heading offset in receiver and site file", needs="rover"),
    # Control ----------------------------------------------------------------------------------------------------------
    _r("overnight_shift", "control", "stop", "parked overnight, and the first position differs by {shift_m} m from the last",
       "was the base set up again? Compare its coordinates with yesterday's", "the same shift on two machines is the base", _CHECK, needs="rover"),
    _r("not_checked", "control", "note", "no passed check on a control mark counts now: {why}",
       "touch a control mark: hubtack control", needs="rover"),
    _r("control_failed", "control", "stop", "the residual at {point} is {horizontal_m} m in plan and {up_m} m in height",
       "occupy again after 20 to 45 minutes", "check antenna height, mark and datum", "do not dig to grade until it is explained", needs="control"),
    _r("datum_shift", "control", "warn", "the residual fits {name}",
       "check which datum the base's coordinates are in", "ask the network's operator for the frame and its epoch", needs="control"),
)  # fmt: skip

BY_CODE: Mapping[str, FindingRule] = {rule.code: rule for rule in FINDINGS}
ORDER: Mapping[str, int] = {rule.code: i for i, rule in enumerate(FINDINGS)}

# What a correction stream alone, or with the rover's help, can be found to suffer from.
LINK_CODES: frozenset[str] = frozenset(
    r.code for r in FINDINGS if r.family in ("bytes", "loss", "base", "content", "clock")
)
