"""Ephemerides as rows of a table: what it gives is what each ephemeris gives by itself."""

import numpy as np
import pytest
from tests.orbits.orbit_helpers import LEAP_S, T0_S, constellation

from hubtack.orbits.book import OrbitBook
from hubtack.orbits.ephemeris import parse_ephemeris
from hubtack.orbits.glonass import ROUGH_STEP_S, STEP_S, Nodes, integrated
from hubtack.orbits.satellites import glonass_fields, satellite_states, sent_at_s

SKY = [parse_ephemeris(p) for p in constellation(seed=4, gps=12, glonass=14, galileo=10, beidou=20)]
GLONASS = [e for e in SKY if e.system == 2]


def test_states_and_times_of_transmission_are_those_of_each_ephemeris():
    book = OrbitBook()
    rng = np.random.default_rng(1)
    chosen = [SKY[i] for i in rng.integers(0, len(SKY), 500)]
    t_s = T0_S + rng.uniform(-1900.0, 1900.0, 500)
    rows = book.rows(chosen)
    range_m = rng.uniform(2.0e7, 2.6e7, 500)
    assert np.array_equal(book.sent_at_s(rows, t_s, range_m), sent_at_s(chosen, t_s, range_m))
    got, expected = book.states(rows, t_s, LEAP_S), satellite_states(chosen, t_s, LEAP_S, glonass_step_s=10.0)
    assert np.array_equal(got.clock_s, expected.clock_s)
    off_m = np.linalg.norm(got.pos_ecef_m - expected.pos_ecef_m, axis=1)
    glonass = np.array([e.system == 2 for e in chosen])
    assert off_m[~glonass].max() == 0.0
    assert off_m[glonass].max() < 0.03  # steps of 120 s against steps of 10 s, half an hour from the reference time
    assert np.isnan(book.states(rows[:3], np.full(3, np.nan), LEAP_S).pos_ecef_m).all()


def test_a_row_gives_the_same_bits_whatever_else_is_asked_and_whenever_it_came():
    one, many = OrbitBook(), OrbitBook()
    for e in SKY:
        many.row(e)
        many.settle()
    rng = np.random.default_rng(2)
    t_s = T0_S + rng.uniform(-7000.0, 7000.0, len(SKY))
    whole = many.states(many.rows(SKY), t_s, LEAP_S)
    for i in rng.permutation(len(SKY)).tolist():
        alone = one.states(one.rows([SKY[i]]), t_s[i : i + 1], LEAP_S)
        assert np.array_equal(alone.pos_ecef_m[0], whole.pos_ecef_m[i])
        assert alone.clock_s[0] == whole.clock_s[i]


@pytest.mark.parametrize(
    ("step_s", "span_s", "within_m"),
    [(STEP_S, 900.0, 0.015), (STEP_S, 1900.0, 0.03), (ROUGH_STEP_S, 1900.0, 20.0), (ROUGH_STEP_S, 15_200.0, 200.0)],
)
def test_what_is_filled_in_between_nodes_stays_within_the_error_of_the_integration(step_s, span_s, within_m):
    fields = glonass_fields(GLONASS)
    nodes = Nodes(step_s)
    nodes.add(fields[3:].T)
    tk = np.linspace(-span_s, span_s, 121)
    rows = np.tile(np.arange(len(GLONASS)), (len(tk), 1))
    got = nodes.positions(rows.ravel(), np.repeat(tk, len(GLONASS))).reshape(*rows.shape, 3)
    fine = Nodes(15.0)
    fine.add(fields[3:].T)
    reference = fine.positions(rows.ravel(), np.repeat(tk, len(GLONASS))).reshape(*rows.shape, 3)
    assert np.linalg.norm(got - reference, axis=2).max() < within_m
    near = np.abs(tk) < 3600.0  # beyond, the reference lets the sun and the moon go all the way
    direct = integrated(fields[3:].T, np.repeat(tk[near, None], len(GLONASS), axis=1), 15.0)
    assert np.linalg.norm(reference[near] - direct, axis=2).max() < 1e-4


def test_between_nodes_the_polynomial_adds_less_than_a_micrometre():
    fields = glonass_fields(GLONASS)
    nodes = Nodes(STEP_S)
    nodes.add(fields[3:].T)
    n = len(GLONASS)
    # From a node half a step on with the same integrator: what differs is the polynomial and an error of 60 s.
    half = nodes.positions(np.arange(n), np.full(n, 60.0))
    direct = integrated(fields[3:].T, np.full((1, n), 60.0), 0.5)[0]
    assert np.linalg.norm(half - direct, axis=1).max() < 1e-3
    whole = nodes.positions(np.arange(n), np.full(n, STEP_S))
    assert np.linalg.norm(whole - integrated(fields[3:].T, np.full((1, n), STEP_S), STEP_S)[0], axis=1).max() == 0.0
