"""The cohorts the tests share: the whole invented year once, and a small one."""

import pytest

from synthetic_data.cohort import Cohort, simulate


@pytest.fixture(scope="session")
def cohort() -> Cohort:
    return simulate()


@pytest.fixture(scope="session")
def small() -> Cohort:
    return simulate(seed=5, stays=80)
