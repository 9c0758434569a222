"""What listens to a study's files is a copy of this process, where the system makes one: it is there at once.

The worker that users have is a Python of its own: `unit/process`, `unit/run` and `evenings` start that one.
"""

import sys

import pytest

from evenbore.process import worker


@pytest.fixture(scope="module", autouse=True)
def copied_worker():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(worker, "loaded", sys.platform == "linux")
        yield
