"""Where the command begins. What only asks for the version is told before anything is loaded."""

import sys


def main() -> int:
    """Run the command line; returns the exit status."""
    if sys.argv[1:] == ["--version"]:
        from sheetlab import __version__

        print(f"sheetlab {__version__}")
        return 0
    from sheetlab.cli import main as command

    return command()


if __name__ == "__main__":
    sys.exit(main())
