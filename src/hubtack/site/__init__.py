"""The site file: what a crew states about its machine, job, receiver, base and control."""

from hubtack.site.load import load_site, secretless_text
from hubtack.site.model import (
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
    default_site,
)

__all__ = [
    "BaseMark",
    "ControlMark",
    "Corrections",
    "GridOrigin",
    "HeightPlane",
    "Job",
    "LocalGrid",
    "Machine",
    "Receiver",
    "Site",
    "SiteFrame",
    "Stream",
    "default_site",
    "load_site",
    "secretless_text",
]
