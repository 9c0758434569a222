"""What listens to a study's files is a copy of this process."""

import pytest


@pytest.fixture(scope="module", autouse=True)
def _copied(copied_worker):
    pass
