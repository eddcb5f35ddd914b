"""One Calc for all tests that drive it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from calc.office import Office, available


@pytest.fixture(scope="session")
def office(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Office]:
    if not available():
        pytest.fail("these tests need LibreOffice Calc and python3-uno (see DEVELOPERS.md)")
    profile: Path = tmp_path_factory.mktemp("profile")
    with Office(profile) as running:
        yield running
