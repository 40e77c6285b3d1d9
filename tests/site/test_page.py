"""The page of the site file is in step with the table, and the table with the model."""

from __future__ import annotations

import dataclasses
import tomllib
from pathlib import Path

import hubtack
from hubtack.site import (
    BaseMark,
    ControlMark,
    Corrections,
    GridOrigin,
    HeightPlane,
    Job,
    LocalGrid,
    Machine,
    Receiver,
    Site,
    SiteFrame,
    Stream,
    load_site,
)
from hubtack.site.page import example_toml, site_file_page
from hubtack.site.schema import KEYS, REQUIRED_TABLES

DOCS = Path(hubtack.__file__).parents[2] / "docs"


def test_the_page_is_what_the_table_says() -> None:
    written = (DOCS / "site-file.md").read_text(encoding="utf-8")
    assert written == site_file_page(), "run: python -m hubtack.site.page > docs/site-file.md"


def test_the_example_on_the_page_loads(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(example_toml(), encoding="utf-8")
    site = load_site(path)
    assert site.site.base is not None
    assert site.site.control[0].name == "CP3"


def test_the_example_shows_every_key_but_the_one_that_excludes_another() -> None:
    shown: set[str] = set()

    def walk(table: dict[str, object], prefix: str) -> None:
        for name, value in table.items():
            path = f"{prefix}{name}"
            for inner in value if isinstance(value, list) else [value]:
                if isinstance(inner, dict):
                    walk(inner, f"{path}.")
                else:
                    shown.add(path)

    walk(tomllib.loads(example_toml()), "")
    assert {key.path for key in KEYS} - shown == {"site.geoid.model"}


def test_table_and_model_have_the_same_keys() -> None:
    owners = {
        "machine": Machine, "job": Job, "receiver": Receiver, "rover": Stream, "second_antenna": Stream,
        "corrections": Corrections, "site.base": BaseMark, "site.local.origin": GridOrigin,
        "site.local.height_plane": HeightPlane, "site.control": ControlMark,
    }
    flat = {"machine": {"antenna_right_m", "antenna_forward_m"}}
    for table, owner in owners.items():
        fields = {field.name.removesuffix("_") for field in dataclasses.fields(owner)} - flat.get(table, set())
        assert {key.name for key in KEYS if key.table == table} == fields, table
        required = {
            field.name for field in dataclasses.fields(owner)
            if field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING
        }
        assert {key.name for key in KEYS if key.table == table and key.required} == required, table
    local = {"origin", "rotation_deg", "scale", "height_plane"}
    assert {field.name for field in dataclasses.fields(LocalGrid)} == local
    assert REQUIRED_TABLES == {"site.local": ("origin",)}
    assert {field.name for field in dataclasses.fields(SiteFrame)} == {
        "name", "crs", "geoid_separation_m", "geoid_model", "base", "local", "control"
    }
    tops = {key.path.partition(".")[0] for key in KEYS} | {"limits"}
    assert {field.name for field in dataclasses.fields(Site)} == tops | {"path", "sha256", "warnings"}


def test_proj_knows_the_systems_of_the_example() -> None:
    # Outside check: PROJ's database (EPSG registry). 32760 is a projected grid, 7912 a geographic 3D frame.
    import pyproj

    examples = {key.path: key.example.strip('"') for key in KEYS}
    assert pyproj.CRS(examples["site.crs"]).is_projected
    frame = pyproj.CRS(examples["site.base.datum"])
    assert frame.is_geographic
    assert len(frame.axis_info) == 3
