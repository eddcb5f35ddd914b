"""Where the command begins. What only asks for the version is told before anything is loaded."""

import sys

COLLECT = 20_000
"""New objects after which the collector of cycles looks at them: a workbook makes more than the
usual 700 every few hundred microseconds, and leaves hardly any cycles."""


def main() -> int:
    """Run the command line; returns the exit status."""
    if sys.argv[1:] == ["--version"]:
        from sheetlab import __version__

        print(f"sheetlab {__version__}")
        return 0
    import gc

    from sheetlab.cli import main as command

    gc.set_threshold(COLLECT, 20, 20)
    return command()


if __name__ == "__main__":
    sys.exit(main())
