"""Every radio figure of the table in docs/theory/radio.md against the reference beside it, and the page against both."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from tests.reference.radio_cases import CASES, Case, row

from hubtack.radio.path import free_space_db, knife_edge_db

PAGE = Path(__file__).parents[2] / "docs/theory/radio.md"


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c.quantity} {c.of}")
def test_a_radio_figure_agrees_with_its_reference(case: Case) -> None:
    assert case.computed() == pytest.approx(case.reference, abs=case.tolerance)


def test_the_page_shows_the_figures_that_are_computed() -> None:
    lines = PAGE.read_text().splitlines()
    for case in CASES:
        assert row(case) in lines, f"renew the table in {PAGE.name}: {row(case)}"


def test_the_knife_edge_formula_follows_the_exact_integrals() -> None:
    # ITU-R P.526, 4.1: loss = -20 log10(sqrt((1 - C - S)^2 + (C - S)^2) / 2); the formula is within 0.14 dB above -0.78.
    special = pytest.importorskip("scipy.special")
    v = np.linspace(-0.75, 10, 200)
    s, c = special.fresnel(v)
    exact_db = -20 * np.log10(np.sqrt((1 - c - s) ** 2 + (c - s) ** 2) / 2)
    assert np.abs(np.array([knife_edge_db(float(x)) for x in v]) - exact_db).max() < 0.14


def test_free_space_agrees_with_pycraf_where_it_is_installed() -> None:
    pytest.importorskip("pycraf")
    from astropy import units as u
    from pycraf import conversions

    rng = np.random.default_rng(1)
    for mhz, m in zip(rng.uniform(400, 930, 20), 10 ** rng.uniform(1, 4.5, 20), strict=True):
        loss_db = -float(conversions.free_space_loss(m * u.m, mhz * u.MHz).to_value(conversions.dB))
        assert free_space_db(float(mhz), float(m)) == pytest.approx(loss_db, abs=1e-6)
