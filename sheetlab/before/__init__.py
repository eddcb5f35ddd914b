"""Before class: plans, registers, rotas, workbooks to issue, definitions of one's own."""

from importlib.resources import files


def starter_text() -> str:
    """A small definition that works, to begin with."""
    return files(__name__).joinpath("starter.toml").read_text(encoding="utf-8")
