"""How thorough property tests are: a quick number of examples, or as many as are asked for."""

from __future__ import annotations

import os

from hypothesis import settings

settings.register_profile(
    "sheetlab", max_examples=int(os.environ.get("SHEETLAB_EXAMPLES", "12")), deadline=None
)
settings.load_profile("sheetlab")
