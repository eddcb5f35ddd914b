"""sheetlab: laboratory practicals in spreadsheets, from the blank sheet to the stated result.

``evaluate``, ``practicals``, ``issue``, ``read_class`` and ``read_archive`` are for notebooks and
scripts. They are loaded when they are first asked for, so that a command starts at once.
"""

TYPE_CHECKING = False  # of ``typing``, which takes longer to load than all of this
if TYPE_CHECKING:
    from sheetlab.finding import SheetlabError
    from sheetlab.notebook import evaluate, issue, practicals, read_archive, read_class

__version__ = "0.1.0"
__all__ = ["SheetlabError", "evaluate", "issue", "practicals", "read_archive", "read_class"]


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from sheetlab import notebook

    return getattr(notebook, name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
