"""The engine's setup: limits by their key, defaults of an empty site file, and every key of a site file in its place."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from hubtack.engine.from_site import base_ecef_m, setup_of
from hubtack.engine.setup import Setup
from hubtack.geo import geodetic_to_ecef
from hubtack.knowledge.limits import LIMITS_BY_KEY
from hubtack.site import default_site, load_site

SITE = """
[machine]
kind = "dozer"
antenna_separation_m = 1.7
antenna = { right_m = 0.9, forward_m = -1.3 }
heading_offset_deg = 12.5
reach_m = 7.0
linkage_sigma_m = 0.011
tilt_sigma_deg = 0.06
[job]
class = "pipe_grade"
vertical_95_m = 0.022
horizontal_95_m = 0.066
slope = 0.03
require_check = true
[receiver]
horizontal_m = 0.009
horizontal_ppm = 1.1
vertical_m = 0.016
vertical_ppm = 1.2
assumed_baseline_m = 2345.0
[limits]
correction_age_hold_s = 20.0
[corrections]
source = "ntrip://caster.example:2101/ALDER"
heard_at = "elsewhere"
[site]
base = { latitude_deg = -45.0, longitude_deg = 170.0, height_m = 12.0, point = "mark", antenna_height_m = 1.5 }
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "site.toml"
    path.write_text(text)
    return path


def test_a_limit_is_the_site_files_or_the_tables() -> None:
    setup = Setup(overrides={"pdop_hold": 5.0})
    assert setup.limit("pdop_hold") == 5.0
    for key, limit in LIMITS_BY_KEY.items():
        assert Setup().limit(key) == limit.value
    assert isinstance(Setup(overrides={"satellites_hold": 6}).limit("satellites_hold"), float)
    with pytest.raises(KeyError):
        setup.limit("pdop_hodl")
    # A site file is checked on load; a key that no table has is an error even where it is overridden.
    with pytest.raises(KeyError):
        Setup(overrides={"pdop_hodl": 1.0}).limit("pdop_hodl")


def test_every_key_of_a_site_file_reaches_the_engine(tmp_path: Path) -> None:
    setup = setup_of(load_site(written(tmp_path, SITE)), has_arrival=True, has_corrections=True)
    base = geodetic_to_ecef(np.array([-45.0]), np.array([170.0]), np.array([13.5]))[0]
    assert setup == Setup(
        overrides={"correction_age_hold_s": 20.0},
        tolerance_vertical_95_m=0.022, tolerance_horizontal_95_m=0.066, job_class="pipe_grade", slope=0.03,
        require_check=True, machine_kind="dozer", pair_separation_m=1.7, heading_offset_deg=12.5, antenna_right_m=0.9,
        antenna_forward_m=-1.3, reach_m=7.0, linkage_sigma_m=0.011, tilt_sigma_deg=0.06, horizontal_m=0.009,
        horizontal_ppm=1.1, vertical_m=0.016, vertical_ppm=1.2, assumed_baseline_m=2345.0,
        base_ecef_m=(float(base[0]), float(base[1]), float(base[2])), heard_elsewhere=True,
        has_arrival=True, has_corrections=True,
    )  # fmt: skip


def test_an_empty_site_file_is_the_default_setup() -> None:
    assert setup_of(default_site()) == Setup()
    assert not setup_of(default_site()).has_arrival and not setup_of(default_site()).has_corrections


def test_a_base_given_by_its_antenna_is_not_raised(tmp_path: Path) -> None:
    site = load_site(written(tmp_path, SITE.replace('point = "mark"', 'point = "arp"')))
    expected = geodetic_to_ecef(np.array([-45.0]), np.array([170.0]), np.array([12.0]))[0]
    assert base_ecef_m(site) == tuple(float(v) for v in expected)
    assert base_ecef_m(default_site()) is None
    assert setup_of(load_site(written(tmp_path, '[corrections]\nheard_at = "machine"\n'))).heard_elsewhere is False


def test_the_digest_tells_any_two_setups_apart() -> None:
    digests = [Setup().digest(), Setup(slope=0.01).digest(), Setup(overrides={"pdop_hold": 5.0}).digest()]
    assert len(set(digests)) == 3 and Setup().digest() == digests[0]
    assert all(len(d) == 16 and int(d, 16) >= 0 for d in digests)
