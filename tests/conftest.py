"""How thorough property tests are, and what a default run need not even import."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile(
    "sheetlab", max_examples=int(os.environ.get("SHEETLAB_EXAMPLES", "12")), deadline=None
)
settings.load_profile("sheetlab")

DEFAULT = "not calc and not slow"
WHOLLY = re.compile(r"^pytestmark = pytest\.mark\.(?:calc|slow)$", re.M)


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Files of which no test would run: importing them takes each worker seconds."""
    if config.option.markexpr != DEFAULT or not collection_path.match("test_*.py"):
        return None
    return True if WHOLLY.search(collection_path.read_text(encoding="utf-8")) else None
