"""The tables of findings and of causes: complete, of one mind with the contract's list, and without circles."""

from __future__ import annotations

import string

import pytest

from hubtack.knowledge.explains import EXPLAINS
from hubtack.knowledge.findings import BY_CODE, FINDINGS, ORDER

# The codes as the JSON contract names them; codes may be added, never renamed.
CONTRACT = [
    "no_bytes", "wrong_protocol", "serial_garbage", "corrupt_frames", "link_stalled", "burst_loss", "periodic_loss",
    "link_saturated", "late_corrections", "two_bases", "no_base_position", "wrong_base", "base_moved",
    "base_disturbed", "base_misplaced", "few_common_satellites", "missing_system", "no_glonass_bias", "no_phase",
    "base_obstructed", "base_clock", "station_mismatch", "long_baseline", "caster_auth", "caster_mount",
    "caster_needs_position", "caster_unreachable", "caster_dropped", "caster_tls", "caster_throttled", "no_rover",
    "rover_fields", "not_using_corrections", "stuck_float", "few_satellites", "poor_geometry", "sky_blocked",
    "signal_drop", "suspect_fix", "frozen_position", "clock_mismatch", "heading_lost", "heading_separation",
    "heading_flipped", "antenna_unknown", "overnight_shift", "not_checked", "computer_clock", "datum_shift",
    "control_failed",
]  # fmt: skip


def test_every_code_of_the_contract_has_one_row() -> None:
    assert set(CONTRACT) <= set(BY_CODE)
    assert len(BY_CODE) == len(FINDINGS)


@pytest.mark.parametrize("rule", FINDINGS, ids=lambda rule: rule.code)
def test_a_row_says_what_is_wrong_and_what_to_do(rule: object) -> None:
    assert rule.next_steps and all(step == step.strip() and step for step in rule.next_steps)  # type: ignore[attr-defined]
    assert rule.source and rule.floor in ("stop", "warn", "note")  # type: ignore[attr-defined]
    for _, name, _, _ in string.Formatter().parse(rule.summary):  # type: ignore[attr-defined]
        assert name is None or name.isidentifier()


def test_causes_and_effects_are_codes() -> None:
    for cause, effects in EXPLAINS.items():
        assert cause in BY_CODE
        for effect, (lead_s, tail_s) in effects.items():
            assert effect in BY_CODE and effect != cause
            assert lead_s >= 0 and tail_s >= 0


def test_nothing_explains_itself_by_a_detour() -> None:
    done: set[str] = set()

    def walk(code: str, path: tuple[str, ...]) -> None:
        assert code not in path, " -> ".join((*path, code))
        if code not in done:
            for effect in EXPLAINS.get(code, {}):
                walk(effect, (*path, code))
            done.add(code)

    for code in sorted(EXPLAINS, key=ORDER.__getitem__):
        walk(code, ())
