"""Run nearpair as `python -m nearpair`."""

from nearpair.cli.main import main

if __name__ == "__main__":
    main()
