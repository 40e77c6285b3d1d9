"""Many small least squares at once, beside a general solver and beside each one alone."""

import numpy as np
import pytest

from hubtack.orbits.fit import fit, lonely


def _problems(seed, n=400, problems=20):
    rng = np.random.default_rng(seed)
    problem = np.sort(rng.integers(0, problems, n))
    return problem, rng.integers(1, 4, n), rng.normal(size=(n, 3)), rng.normal(size=n), rng.uniform(0.1, 4.0, n)


@pytest.mark.parametrize("seed", range(3))
def test_solution_covariance_and_redundancy_are_those_of_a_general_solver(seed):
    # Reference: numpy.linalg.lstsq with a column for each clock.
    problem, system, design, observed, weight = _problems(seed)
    found = fit(problem, system, 20, design, observed, weight)
    for k in range(20):
        mine = problem == k
        root = np.sqrt(weight[mine])
        whole = np.hstack((design[mine], system[mine][:, None] == np.unique(system[mine]))) * root[:, None]
        x = np.linalg.lstsq(whole, observed[mine] * root, rcond=None)[0]
        q = np.linalg.inv(whole.T @ whole)
        assert found.step[k] == pytest.approx(x[:3], rel=1e-9)
        assert found.q[k] == pytest.approx(q[:3, :3], rel=1e-9)
        assert found.redundancy[mine] == pytest.approx(1.0 - np.einsum("ij,jk,ik->i", whole, q, whole), rel=1e-9)
        assert found.residual[mine] == pytest.approx(observed[mine] - whole @ x / root, abs=1e-12)
        assert found.dof[k] == mine.sum() - whole.shape[1]


def test_a_problem_gives_the_same_bits_alone_and_among_others():
    problem, system, design, observed, weight = _problems(7)
    found = fit(problem, system, 20, design, observed, weight)
    for k in range(20):
        mine = problem == k
        alone = fit(np.zeros(mine.sum(), np.int64), system[mine], 1, design[mine], observed[mine], weight[mine])
        assert np.array_equal(alone.step[0], found.step[k])
        assert np.array_equal(alone.q[0], found.q[k])
        assert np.array_equal(alone.residual, found.residual[mine])


def test_satellites_in_one_plane_with_the_place_give_no_solution():
    problem, system, design, observed, weight = _problems(3, problems=1)
    design[:, 2] = design[:, 0]
    found = fit(problem, system, 1, design, observed, weight)
    assert not found.solved[0]
    assert np.isnan(found.step[0]).all()


def test_no_rows_give_no_solution():
    none = np.zeros(0)
    found = fit(none.astype(int), none.astype(int), 2, np.zeros((0, 3)), none, none)
    assert not found.solved.any()
    assert found.rows.tolist() == [0, 0]


def test_a_row_alone_in_its_constellation_is_told():
    problem, system = np.array([0, 0, 0, 1, 1, 1]), np.array([1, 1, 2, 1, 2, 2])
    assert lonely(problem, system, 2).tolist() == [False, False, True, True, False, False]
