"""A site file that is right becomes the values it states; one that is wrong is refused with key, line and remedy."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import pickle
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hubtack.errors import UsageError
from hubtack.knowledge.limits import LIMITS
from hubtack.site import Site, default_site, load_site
from hubtack.site.load import MAX_PROBLEMS
from hubtack.site.page import default_of, example_toml
from hubtack.site.schema import KEYS, LIMIT_KEYS, Choice, Flag, Key, Number, Text

# The published form of the file, kept as it was agreed: keys may be added to the table, never renamed.
AGREED = """\
units = "m"                     # m | ft (international) | ft_us, for the screen and reports
time_zone = "UTC"

[machine]
name = "Digger 7"
kind = "excavator"              # excavator | dozer | grader | roller | other
antenna_separation_m = 1.80     # as installed, between the two antennas
antenna = { right_m = 0.9, forward_m = -1.3 }   # main antenna from the swing axis, where known
heading_offset_deg = 0.0        # from the antenna line to the boom's direction
reach_m = 9.0                   # from the antennas' midpoint to the cutting edge, longest in use
linkage_sigma_m = 0.013         # boom, stick and bucket sensors and tooth wear together, 1 sigma at the edge
tilt_sigma_deg = 0.05           # body pitch and roll, 1 sigma
cost_per_h = 0.0

[job]
class = "trench"                # a row of the job-class table
vertical_95_m = 0.050           # either overrides the class
horizontal_95_m = 0.075
slope = 0.0                     # cross slope of the design, m/m
require_check = false

[receiver]                      # 1 sigma, constant + parts per million of the baseline
horizontal_m = 0.008
horizontal_ppm = 1.0
vertical_m = 0.015
vertical_ppm = 1.0
assumed_baseline_m = 2000.0     # where neither a stream nor site.base tells

[limits]                        # any row of the limit table by its key
correction_age_rough_s = 10.0
correction_age_hold_s = 30.0

[rover]
source = "serial:///dev/ttyUSB0?baud=115200"
[second_antenna]                # only where the two antennas give two position streams
source = "serial:///dev/ttyUSB1?baud=115200"
[corrections]
source = "ntrip://user@caster.example:2101/MOUNT"
heard_at = "machine"            # "elsewhere" for a second radio beside the machine
password_env = "HUBTACK_PASSWORD"
send_position = "auto"          # "auto" | "always" | "never": GGA to the caster

[site]
name = "Reach 3"
crs = "EPSG:32760"              # any projected CRS that PROJ knows; or [site.local] below
geoid = { separation_m = 8.42 } # or model = a grid that PROJ has
base = { latitude_deg = -45.0, longitude_deg = 170.0, height_m = 12.0, tolerance_m = 0.05, station_id = 412, \
point = "arp", antenna_height_m = 0.0, datum = "EPSG:7912", epoch = 2026.0 }
[site.local]                    # a site's own grid
origin = { easting_m = 5000.0, northing_m = 5000.0, latitude_deg = -45.0, longitude_deg = 170.0 }
rotation_deg = 0.0
scale = 1.0
height_plane = { offset_m = 0.0, north_m_per_m = 0.0, east_m_per_m = 0.0 }
[[site.control]]
name = "CP3"
easting_m = 500000.000
northing_m = 5016000.000
height_m = 11.482               # ellipsoidal, unless height_datum = "geoid"
sigma_m = 0.010
"""


def load(folder: Path, text: str) -> Site:
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return load_site(path)


def refusal(folder: Path, text: str) -> str:
    with pytest.raises(UsageError) as caught:
        load(folder, text)
    return str(caught.value)


def test_the_agreed_file_loads_to_what_it_says(tmp_path: Path) -> None:
    site = load(tmp_path, AGREED)
    assert (site.units, site.unit.size_m, site.machine.name, site.machine.kind) == ("m", 1.0, "Digger 7", "excavator")
    assert site.machine.antenna_separation_m == 1.8
    assert (site.machine.antenna_right_m, site.machine.antenna_forward_m) == (0.9, -1.3)
    assert site.job.class_ == "trench"
    assert site.job.tolerance_95_m() == (0.050, 0.075)
    assert site.receiver.assumed_baseline_m == 2000.0
    assert site.limit("correction_age_hold_s") == 30.0
    assert site.rover.source == "serial:///dev/ttyUSB0?baud=115200"
    assert site.corrections.source == "ntrip://user@caster.example:2101/MOUNT"
    assert site.site.geoid_separation_m == 8.42
    base = site.site.base
    assert base is not None
    assert (base.latitude_deg, base.longitude_deg, base.height_m, base.station_id) == (-45.0, 170.0, 12.0, 412)
    assert (base.point, base.datum, base.epoch) == ("arp", "EPSG:7912", 2026.0)
    assert site.site.local is not None
    assert site.site.local.origin.easting_m == 5000.0
    assert site.site.local.height_plane.north_m_per_m == 0.0
    mark = site.site.mark(" cp3")
    assert mark is not None
    assert (mark.easting_m, mark.height_m, mark.sigma_m, mark.height_datum) == (500000.0, 11.482, 0.010, "ellipsoid")
    assert site.sha256 == hashlib.sha256((tmp_path / "site.toml").read_bytes()).hexdigest()


def test_an_empty_file_is_the_default_site(tmp_path: Path) -> None:
    site = load(tmp_path, "")
    default = default_site()
    assert dataclasses.replace(site, path=None, sha256=None) == default
    assert default.path is None
    assert default.sha256 is None
    assert site.sha256 == hashlib.sha256(b"").hexdigest()
    assert default.machine.antenna_separation_m is None
    assert default.job.class_ is None
    assert default.job.tolerance_95_m() == (0.050, 0.100)  # trench before bedding
    assert all(default.limit(row.key) == row.value for row in LIMITS)


def test_either_tolerance_overrides_the_class_alone(tmp_path: Path) -> None:
    assert load(tmp_path, '[job]\nclass = "pipe_grade"').job.tolerance_95_m() == (0.020, 0.050)
    assert load(tmp_path, '[job]\nclass = "pipe_grade"\nvertical_95_m = 0.03').job.tolerance_95_m() == (0.030, 0.050)
    assert load(tmp_path, "[job]\nhorizontal_95_m = 0.2").job.tolerance_95_m() == (0.050, 0.200)


def test_a_limit_of_the_file_counts_and_the_others_keep_their_default(tmp_path: Path) -> None:
    site = load(tmp_path, "[limits]\ncorrection_age_hold_s = 20\n")
    assert (site.limit("correction_age_hold_s"), site.limit("correction_age_rough_s")) == (20.0, 10.0)
    assert dict(site.limits) == {"correction_age_hold_s": 20.0}
    with pytest.raises(KeyError):
        site.limit("no_such_limit")


def test_paths_are_relative_to_the_file_and_urls_stay(tmp_path: Path) -> None:
    text = (
        '[rover]\nsource = "logs/rover.nmea"\n[second_antenna]\nsource = "file:second.nmea"\n'
        '[corrections]\nsource = "-"\n'
    )
    site = load(tmp_path, text)
    assert site.rover.source == str(tmp_path / "logs" / "rover.nmea")
    assert site.second_antenna.source == str(tmp_path / "second.nmea")
    assert site.corrections.source == "-"
    absolute = tmp_path / "elsewhere" / "rover.nmea"
    assert load(tmp_path, f"[rover]\nsource = '{absolute}'").rover.source == str(absolute)


def test_a_geoid_grid_beside_the_file_is_found_and_any_other_name_is_left_to_proj(tmp_path: Path) -> None:
    (tmp_path / "own.tif").write_bytes(b"")
    assert load(tmp_path, '[site]\ngeoid = { model = "own.tif" }').site.geoid_model == str(tmp_path / "own.tif")
    assert load(tmp_path, '[site]\ngeoid = { model = "other.tif" }').site.geoid_model == "other.tif"


def test_a_byte_order_mark_and_windows_line_ends_are_no_obstacle(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes(b"\xef\xbb\xbf[machine]\r\nreach_m = 7\r\n")
    assert load_site(path).machine.reach_m == 7.0
    path.write_bytes(b"\xef\xbb\xbf[machine]\r\n\r\nreach_m = -7\r\n")
    with pytest.raises(UsageError, match=r"line 3: machine\.reach_m is -7"):
        load_site(path)


# --- refusals


def _bad_values(key: Key) -> list[str]:
    check = key.check
    if isinstance(check, Number):
        bad = ['"1"', "true", "nan", "inf", "-inf", "[1]", "{ a = 1 }", "2026-01-01", "1" + "0" * 400]
        bad += [f"{check.low - 1e-3 * max(1.0, abs(check.low))!r}"] if check.low > -1e300 else []
        bad += [f"{check.high * 1.01!r}"] if check.high < 1e300 else []
        return bad + (["1.5"] if check.whole else []) + ([repr(check.low)] if check.above else [])
    if isinstance(check, Choice):
        return ['""', "1", '"nonsense"', f'"{check.words[0].upper()}"']
    if isinstance(check, Text):
        return ['""', '"  "', "1", "false"]
    return ['"false"', "0", "1"]


def _file_with(key: Key, value: str) -> str:
    """The example with one value replaced, or put in where the example has none."""
    lines = example_toml().splitlines()
    if key.path == "site.geoid.model":
        return f"[site.geoid]\nmodel = {value}\n"
    if key.table == "limits":
        return f"[limits]\n{key.name} = {value}\n"
    old = f"{key.name} = {key.example}"
    last = key.table.rpartition(".")[2]
    for i, line in enumerate(lines):
        plain = line == old and _table_at(lines, i) == key.table
        inline = line.startswith(f"{last} = {{") and old in line
        if plain or inline:
            lines[i] = line.replace(old, f"{key.name} = {value}")
            return "\n".join(lines)
    raise AssertionError(key.path)


def _table_at(lines: list[str], i: int) -> str:
    headers = [line for line in lines[:i] if line.startswith("[")]
    return headers[-1].strip("[]") if headers else ""


@pytest.mark.parametrize("key", [*KEYS, *LIMIT_KEYS], ids=lambda key: key.path)
def test_every_key_takes_its_example_and_its_default_and_refuses_what_it_should(key: Key, tmp_path: Path) -> None:
    load(tmp_path, _file_with(key, key.example))
    default = None if key.required else default_of(key)
    if default is not None:
        assert key.check.value(default) == default
    for bad in _bad_values(key):
        text = _file_with(key, bad)
        message = refusal(tmp_path, text)
        assert key.name in message, bad
        assert "line " in message, bad
        line = int(message.partition("line ")[2].partition(":")[0])
        assert key.name in text.splitlines()[line - 1], (bad, message)
        assert "accepted" in message, bad


def test_a_flag_is_checked_as_one() -> None:
    assert any(isinstance(key.check, Flag) for key in KEYS)  # else the loop above would leave a kind of check untried


def test_the_station_id_has_the_twelve_bits_of_df003(tmp_path: Path) -> None:
    # RTCM 10403.3, DF003: uint12, 0 to 4095
    text = "[site]\nbase = {{ latitude_deg = 0, longitude_deg = 0, height_m = 0, station_id = {} }}"
    for good in (0, 4095):
        base = load(tmp_path, text.format(good)).site.base
        assert base is not None
        assert base.station_id == good
    assert "from 0 to 4095" in refusal(tmp_path, text.format(4096))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[machine]\nantena_separation_m = 1.8", "line 2: antena_separation_m is not a key of [machine]; did you mean "
         "antenna_separation_m?"),
        ("[machin]\nreach_m = 9", "line 1: machin is not a key of the top of the file; did you mean machine?"),
        ("reach_m = 9", "line 1: reach_m is not a key of the top of the file; it belongs at machine.reach_m"),
        ("[base]\nheight_m = 1", "it belongs at site.base"),
        ("[limits]\ncorrection_age_hold = 20", "did you mean correction_age_hold_s?"),
        ("[limits]\nzzz = 20", "see docs/site-file.md"),
        ('[job]\nclass = "trenches"', '"pipe_grade"'),
        ("[job]\n\nvertical_95_m = 50", "line 3: job.vertical_95_m is 50; accepted: a number above 0, up to 1 (in "
         "metres: 50 mm is 0.050)"),
        ("[limits]\nrough_max_m = 300", "a number from 0 to 30"),
        ('[rover]\nsource = "seriel:///dev/ttyUSB0"', "did you mean serial?"),
        ('[rover]\nsource = "tcp:host:5000"', "after tcp: comes //"),
        ('[rover]\nsource = "tcp://"', "nothing follows tcp://"),
        ("machine = 3", "machine is 3; it is a table of keys"),
        ("[machine]\nantenna = 1.8", "line 2: machine.antenna is 1.8; it is a table"),
        ("[machine]\nantenna = { right_m = 1.8 }", "line 2: machine.antenna has no forward_m"),
        ("[site]\nbase = { latitude_deg = 1, longitude_deg = 2 }", "site.base has no height_m"),
        ("[site]\nbase = { latitude_deg = 170, longitude_deg = -45, height_m = 2 }", "longitude may be swapped"),
        ("[site.local]\nscale = 1.0", "site.local has no origin"),
        ("[site]\ncontrol = { name = 'A' }", "write [[site.control]] once for each"),
        ("[site]\ngeoid = { separation_m = 1, model = 'a.tif' }", "give one of them"),
        ("[site]\ncrs = 32760", 'such as "EPSG:32760" (in quotes)'),
        ('time_zone = "Etc/UCT1"', "line 1: time_zone"),
        ('time_zone = "../../etc/passwd"', "line 1: time_zone"),
    ],
)
def test_a_refusal_names_key_line_and_remedy(text: str, expected: str, tmp_path: Path) -> None:
    assert expected in refusal(tmp_path, text)


def test_the_second_of_two_marks_is_named_with_its_own_line(tmp_path: Path) -> None:
    mark = '[[site.control]]\nname = "{}"\neasting_m = 1\nnorthing_m = {}\nheight_m = 1\n'
    assert "line 9: site.control 2 northing_m" in refusal(tmp_path, mark.format("A", 1) + mark.format("B", '"2,5"'))
    assert "line 7" in refusal(tmp_path, mark.format("A", 1) + mark.format(" a", 1))
    assert "so has site.control 1" in refusal(tmp_path, mark.format("A", 1) + mark.format(" a", 1))


def test_all_that_is_wrong_is_told_at_once_and_ten_of_it_at_most(tmp_path: Path) -> None:
    message = refusal(tmp_path, "time_zone = 'UCT1'\n[machine]\nreach_m = -1\nkind = 'digger'\n[job]\nslope = 2.0\n")
    assert [line.partition(":")[0] for line in message.splitlines()[1:]] == ["line 1", "line 3", "line 4", "line 6"]
    many = refusal(tmp_path, "[limits]\n" + "".join(f"{row.key} = -1\n" for row in LIMITS))
    assert len(many.splitlines()) == MAX_PROBLEMS + 2
    assert many.endswith(f"and {len(LIMITS) - MAX_PROBLEMS} more")


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[machine]\nreach_m = 9,0\n", 2), ("[machine\n", 1), ("a = 1\nb = ???\n", 2), ("[job]\n[job]\n", 2),
        ("a = 1\na = 2\n", 2),
    ],
)
def test_what_is_not_toml_is_told_with_its_line(text: str, line: int, tmp_path: Path) -> None:
    assert f"line {line}, column" in refusal(tmp_path, text)


def test_what_cannot_be_read_is_told_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="does not exist"):
        load_site(tmp_path / "none.toml")
    (tmp_path / "site.toml").write_text("")
    with pytest.raises(UsageError, match=r"is a folder \(there is a site.toml in it\)"):
        load_site(tmp_path)
    (tmp_path / "log.toml").write_bytes(b"\xd3\x00\x13\xff\xfe")
    with pytest.raises(UsageError, match="not text in UTF-8"):
        load_site(tmp_path / "log.toml")
    (tmp_path / "big.toml").write_bytes(b"#" * 1_000_001)
    with pytest.raises(UsageError, match="over 1 MB"):
        load_site(tmp_path / "big.toml")
    with pytest.raises(UsageError, match="cannot be read"):
        load_site(Path("nul\0.toml"))
    assert "nested too deep" in refusal(tmp_path, "a = " + "[" * 5000)


def test_control_characters_of_a_file_never_reach_the_message(tmp_path: Path) -> None:
    text = '[machine]\nkind = "\\u001b[2Jred\\u202e"\n"\\u001b]0;x" = 1\n'
    message = refusal(tmp_path, text)
    assert "\x1b" not in message
    assert "\u202e" not in message


TOML_WORDS = [*"\"'{}[],\n#=.", "[machine]", "[[site.control]]", "reach_m", "1.0", "nan", "site"]


@given(text=st.lists(st.sampled_from(TOML_WORDS) | st.text(max_size=3), max_size=25).map("".join))
def test_any_text_loads_or_is_refused_with_a_usage_error(text: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    with contextlib.suppress(UsageError):
        load_site(path)


# --- warnings, and what loading must not do


def test_what_is_contradictory_but_harmless_is_a_warning(tmp_path: Path) -> None:
    assert any("site.crs is not" in text for text in load(tmp_path, AGREED).warnings)
    base = "[site]\nbase = { latitude_deg = 1, longitude_deg = 2, height_m = 3, antenna_height_m = 1.8 }"
    assert any("antenna_height_m is not used" in text for text in load(tmp_path, base).warnings)
    mark = "[[site.control]]\nname = 'A'\neasting_m = 1\nnorthing_m = 1\nheight_m = 1\nheight_datum = 'geoid'\n"
    assert any("no height is compared" in text for text in load(tmp_path, mark).warnings)
    assert load(tmp_path, mark + "[site.geoid]\nseparation_m = 8.4\n").warnings == ()


def test_a_site_goes_to_another_process_whole(tmp_path: Path) -> None:
    site = load(tmp_path, AGREED)
    assert pickle.loads(pickle.dumps(site)) == site


def test_loading_starts_no_heavy_library(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(AGREED, encoding="utf-8")
    code = (
        "import sys; from pathlib import Path; from hubtack.site import load_site; load_site(Path(sys.argv[1]));"
        "print([m for m in ('numpy', 'pyproj', 'rich', 'serial') if m in sys.modules])"
    )
    command = [sys.executable, "-c", code, str(tmp_path / "site.toml")]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_time_zone_is_that_of_the_iana_database(tmp_path: Path) -> None:
    import datetime as dt

    # Etc zones count west as positive (IANA tz, file etcetera): Etc/GMT-12 is 12 h ahead of UTC.
    noon = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
    zone = load(tmp_path, 'time_zone = "Etc/GMT-12"').tzinfo
    assert noon.astimezone(zone).utcoffset() == dt.timedelta(hours=12)
    assert default_site().tzinfo is dt.UTC
