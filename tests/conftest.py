"""Shared fixtures of the tests."""

import os
from pathlib import Path

import pytest

# As the command line does, before numpy is loaded.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# Real recordings by other people, kept outside the repository: ENGINELOG_RECORDINGS, or ../shared/recordings.
RECORDINGS = Path(os.environ.get("ENGINELOG_RECORDINGS", Path(__file__).resolve().parents[2] / "shared" / "recordings"))


@pytest.fixture(scope="session")
def real_recordings() -> Path:
    """Folder of the real recordings; the test is skipped where it is missing."""
    if not (RECORDINGS / "index.csv").is_file():
        pytest.skip(f"real recordings not found at {RECORDINGS}: set ENGINELOG_RECORDINGS to their folder")
    return RECORDINGS
